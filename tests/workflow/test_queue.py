"""Sets in a queue: asked for once, made by whichever worker, taken up where a worker was lost."""

from __future__ import annotations

import functools
import os
import signal
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from psycopg.types.json import Jsonb

from labkit.errors import InputError, LedgerError
from labkit.workflow.sets import queue_worker
from labkit.workflow.sets.batch import LOST, Outcome
from labkit.workflow.sets.queue import Asked, Queue
from labkit.workflow.sets.queue_worker import Work, work_through
from tests.ledger.conftest import fresh_schema
from tests.support import many, postgres
from tests.support.making import ONE as ONE_STEP

WHOLE = int(os.environ.get("LABKIT_QUEUE_CASES", "16"))
KILLS = 8
ONE = Asked("a.toml", "QF-1", "text", "/sets", "anna", None, "ab", "cd")
TWO = replace(ONE, file="b.toml", case="QF-2")


@pytest.fixture
def queue(server, monkeypatch):
    monkeypatch.setattr(queue_worker, "TRY_AGAIN_SECONDS", 0)
    monkeypatch.setattr(queue_worker, "PAUSE_SECONDS", 0)
    monkeypatch.setattr(queue_worker, "_LOOK_SECONDS", 0.1)
    queue = Queue(fresh_schema(server))
    queue.begin()
    return queue


def work(queue, make, said=()):
    """Work through a queue, held up as said; give what was done, by case."""
    done, held_up = {}, []

    def told(outcome):
        done[outcome.case] = outcome

    work_through(Work(queue, make, 2, told, held_up.append, once=True))
    assert tuple(held_up) == said
    return done


def made(asked):
    return Outcome(asked.file, asked.case, "made", f"{asked.case}-r1")


def made_at_the_second_try(folder, asked):
    """Lose this process the first time, as where memory runs out."""
    tried = Path(folder) / asked.case
    if not tried.exists():
        tried.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return made(asked)


def never_made(asked):
    return Outcome(asked.file, asked.case, "broken off", said=("the disk is full",))


def made_elsewhere(folder, asked):
    """Leave one set to other hosts; be one of them the next times, and break off the first."""
    tries, other = Path(folder) / "tries", Path(folder) / TWO.case
    if asked.case == TWO.case:
        other.touch()
        return made(asked)
    tried = len(tries.read_text()) if tries.exists() else 0
    tries.write_text("+" * (tried + 1))
    if tried == 0:
        return Outcome(asked.file, asked.case, "waiting", said=("this host is another one",))
    assert other.exists()
    return never_made(asked) if tried == 1 else made(asked)


def test_a_set_is_asked_for_once_and_what_became_of_it_is_kept(queue):
    queue.put([ONE, TWO])
    queue.put([replace(ONE, file="elsewhere.toml")])
    assert queue.at_work([ONE.key, TWO.key]) == {ONE.key: "waiting", TWO.key: "waiting"}
    assert work(queue, made) == {"QF-1": made(ONE), "QF-2": made(TWO)}
    assert queue.at_work([ONE.key, TWO.key]) == {}
    assert queue.outcomes([ONE.key]) == {ONE.key: made(ONE)}
    assert ONE.key != replace(ONE, text="another").key


def test_a_process_that_is_lost_loses_no_set(queue, tmp_path):
    queue.put([ONE, TWO])
    done = work(queue, functools.partial(made_at_the_second_try, str(tmp_path)))
    assert {case: outcome.state for case, outcome in done.items()} == {
        "QF-1": "made", "QF-2": "made",
    }


def test_what_a_lost_worker_had_at_work_is_taken_up_until_it_was_lost_too_often(queue):
    queue.put([ONE, TWO])
    often = {ONE.case: 1, TWO.case: queue_worker.MOST_TRIES}
    with psycopg.connect(queue.conninfo) as connection:
        for case, tries in often.items():
            connection.execute(
                "UPDATE procrastinate_jobs SET status = 'doing', attempts = %s WHERE lock = %s",
                (tries, case),
            )
    assert work(queue, made) == {"QF-1": made(ONE)}
    assert queue.outcomes([TWO.key])[TWO.key].said == (LOST,)


def test_what_breaks_off_each_time_is_given_up_with_its_reason(queue, monkeypatch):
    monkeypatch.setattr(queue_worker, "MOST_TRIES", 2)
    queue.put([ONE])
    assert work(queue, never_made)["QF-1"].said == ("the disk is full",)
    assert queue.at_work([ONE.key]) == {}


def test_what_a_host_cannot_make_is_left_to_others_behind_the_rest(queue, tmp_path, monkeypatch):
    monkeypatch.setattr(queue_worker, "MOST_TRIES", 2)
    queue.put([ONE, TWO])
    said = (
        "QF-1: left to another host: this host is another one; this worker looks again every 0 s",
    )
    done = work(queue, functools.partial(made_elsewhere, str(tmp_path)), said)
    assert done == {"QF-1": made(ONE), "QF-2": made(TWO)}


def asked_by_another_version(queue, tries):
    """Let the set that waits be one that this version cannot read, at work with a lost worker."""
    with psycopg.connect(queue.conninfo) as connection:
        connection.execute(
            "UPDATE procrastinate_jobs SET status = %s, attempts = %s, args = args || %s",
            ("doing" if tries else "todo", tries, Jsonb({"new": 1})),
        )


def test_what_another_version_asked_for_is_left_to_it(queue):
    queue.put([ONE])
    asked_by_another_version(queue, 0)
    said = []

    def say(sentence):
        """Let the version be the same from now on."""
        said.append(sentence)
        with psycopg.connect(queue.conninfo) as connection:
            connection.execute("UPDATE procrastinate_jobs SET args = args - 'new'")

    done = []
    work_through(Work(queue, made, 1, done.append, say, once=True))
    assert done == [made(ONE)]
    assert said == [
        "QF-1: left to another host: another version of labkit asked for it; give this host the "
        "same; this worker looks again every 0 s"
    ]


def test_of_what_another_version_asked_for_and_lost_an_outcome_is_kept(queue):
    queue.put([ONE])
    asked_by_another_version(queue, queue_worker.MOST_TRIES)
    assert work(queue, made) == {}
    (kept,) = queue.outcomes([ONE.key]).values()
    assert kept == Outcome("a.toml", "QF-1", "broken off", said=(LOST,))
    queue.put([ONE])
    assert queue.outcomes([ONE.key]) == {}


def test_a_worker_that_could_no_longer_take_up_what_others_lost_ends(queue, monkeypatch):
    async def failing(_):
        raise ZeroDivisionError

    monkeypatch.setattr(queue_worker, "_take_up_stalled", failing)
    with pytest.raises(ZeroDivisionError):
        work_through(Work(queue, made, 1, print, print, once=False))


def test_a_record_that_is_a_file_has_no_queue(tmp_path):
    with pytest.raises(InputError, match=r"and .*lab\.sqlite is a file; name the record with"):
        Queue(str(tmp_path / "lab.sqlite"))


def test_a_server_that_is_not_there_is_told():
    with pytest.raises(LedgerError, match=r"the queue beside the ledger .* cannot be reached"):
        Queue("postgresql://lab@127.0.0.1:1/lab")


@pytest.mark.slow
@pytest.mark.skipif(bool(postgres.why_not()), reason=postgres.why_not())
def test_workers_and_the_server_are_killed(tmp_path):
    """LABKIT_QUEUE_CASES=300 pytest -m slow tests/workflow/test_queue.py"""
    many.prescribe(tmp_path / "rx", WHOLE, ONE_STEP)
    with postgres.server() as server:
        many.killed_workers(server, tmp_path, WHOLE, KILLS, "tests.support.without_papers")
