"""Sets in a queue: asked for once, made by whichever worker, taken up where a worker was lost."""

from __future__ import annotations

import functools
import os
import platform
import signal
import threading
from contextlib import nullcontext
from dataclasses import asdict, replace
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import make_conninfo
from psycopg.sql import SQL, Identifier
from psycopg.types.json import Jsonb

from labkit.cli.sets import queued
from labkit.cli.sets.one_of_many import Bench
from labkit.cli.sets.queued import through_queue
from labkit.errors import InputError, LedgerError
from labkit.workflow.sets import queue_worker
from labkit.workflow.sets.batch import LOST, Outcome
from labkit.workflow.sets.queue import PUT_BACK, PUT_MADE, Asked, Queue
from labkit.workflow.sets.queue_worker import Work, work_through
from tests.ledger.conftest import fresh_schema
from tests.support import many, postgres
from tests.support.making import ONE as ONE_STEP

WHOLE = int(os.environ.get("LABKIT_QUEUE_CASES", "16"))
KILLS = 8
FEW = 2
NOT = threading.Event()
ONE = Asked("a.toml", "QF-1", "text", "/sets", "anna", None, "ab", "cd")
TWO = replace(ONE, file="b.toml", case="QF-2")
THREE = replace(ONE, file="c.toml", case="QF-3")


@pytest.fixture
def queue(server, monkeypatch):
    monkeypatch.setattr(queue_worker, "TRY_AGAIN_SECONDS", 0)
    monkeypatch.setattr(queue_worker, "PAUSE_SECONDS", 0)
    monkeypatch.setattr(queue_worker, "_LOOK_SECONDS", 0.1)
    monkeypatch.setattr(queued, "_LOOK_SECONDS", 0.1)
    queue = Queue(fresh_schema(server))
    queue.begin()
    return queue


@pytest.fixture
def few_tries(monkeypatch):
    """Give up sooner: each round begins new processes."""
    for module in (queue_worker, queued):
        monkeypatch.setattr(module, "MOST_TRIES", FEW)


def work(queue, make, said=(), left=0):
    """Work through a queue, held up and leaving sets as said; give what was done, by case."""
    done, held_up = {}, []

    def told(outcome):
        done[outcome.case] = outcome

    assert work_through(Work(queue, make, 2, told, held_up.append, once=True)) == left
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


def test_a_worker_s_role_need_not_make_tables(queue, server):
    role = f"worker_{queue.schema}"[:60]
    with psycopg.connect(queue.conninfo, autocommit=True) as connection:
        connection.execute(SQL("CREATE ROLE {} LOGIN").format(Identifier(role)))
        for what in ("USAGE ON SCHEMA", "SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA"):
            connection.execute(
                SQL("GRANT " + what + " {} TO {}").format(
                    Identifier(queue.schema), Identifier(role)
                )
            )
    queue.conninfo = make_conninfo(queue.conninfo, user=role)
    queue.begin()
    assert queue.at_work([ONE.key]) == {}


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


def made_but_one(asked):
    if asked.case == ONE.case:
        return Outcome(asked.file, asked.case, "waiting", said=("this host is another one",))
    return made(asked)


LEFT = "QF-1: left to another host: this host is another one; this worker looks again every 0 s"


def test_what_no_host_can_make_ends_the_worker_and_stays_for_another(queue, few_tries):
    queue.put([ONE, TWO])
    assert work(queue, made_but_one, (LEFT,), left=1) == {"QF-2": made(TWO)}
    ((tries, outcome),) = queue.put_back([ONE.key]).values()
    assert tries == FEW
    assert outcome.said == (f"{platform.node()}: this host is another one",)
    # Tries count only as long as no host makes anything; a host that is right makes this too.
    queue.put([THREE])
    assert work(queue, made) == {"QF-1": made(ONE), "QF-3": made(THREE)}


def test_tries_begin_anew_when_a_host_makes_a_set_and_are_one_a_round(
    queue, few_tries, monkeypatch
):
    queue.put([ONE])
    work(queue, made_but_one, (LEFT,), left=1)
    with psycopg.connect(queue.conninfo) as connection:
        connection.execute(PUT_MADE)
    assert queue.put_back([ONE.key]) == {}
    monkeypatch.setattr(queue_worker, "PAUSE_SECONDS", 60)
    with psycopg.connect(queue.conninfo) as connection:
        for _ in range(3):
            told = {"key": ONE.key, "seconds": 60, "outcome": Jsonb(asdict(never_made(ONE)))}
            connection.execute(PUT_BACK, told)
    assert queue.put_back([ONE.key]) == {ONE.key: (1, never_made(ONE))}


def test_a_batch_gives_up_what_no_host_could_make_and_says_why(
    queue, few_tries, tmp_path, monkeypatch
):
    monkeypatch.setattr(queued, "_ask", lambda *_: ONE)
    bench = Bench(tmp_path, None, (), None, (), "anna", None)
    monkeypatch.setattr(queued, "look_into", lambda _: nullcontext())
    queue.put([ONE])
    work(queue, made_but_one, (LEFT,), left=1)
    cases = {ONE.file: ONE.case}
    (outcome,) = through_queue(queue, bench, cases, wait=False, again=False, stop=NOT)
    assert outcome.state == "waiting"  # a look gives nothing up
    (outcome,) = through_queue(queue, bench, cases, wait=True, again=False, stop=NOT)
    assert (outcome.state, queue.at_work([ONE.key])) == ("given up", {})
    assert outcome.said[0].startswith("no host could make it in 2 tries, and none made any other")
    last = f"the last one said, {platform.node()}: this host is another one"
    assert outcome.said[0].endswith(last)
    # A request with --again begins anew.
    (outcome,) = through_queue(queue, bench, cases, wait=False, again=True, stop=NOT)
    assert (outcome.state, outcome.said) == ("waiting", ())


def refused_once(asked):
    return Outcome(asked.file, asked.case, "refused", said=("rods are in circulation",))


@pytest.mark.parametrize("make", [refused_once, never_made], ids=["refused", "broken off"])
def test_what_workers_could_not_make_is_asked_for_again_only_with_again(
    queue, few_tries, tmp_path, monkeypatch, make
):
    monkeypatch.setattr(queued, "_ask", lambda *_: ONE)
    monkeypatch.setattr(queued, "look_into", lambda _: nullcontext())
    bench = Bench(tmp_path, None, (), None, (), "anna", None)
    queue.put([ONE])
    kept = work(queue, make)[ONE.case]
    for _ in range(2):
        (outcome,) = through_queue(
            queue, bench, {ONE.file: ONE.case}, wait=False, again=False, stop=NOT
        )
        assert outcome == replace(kept, said=(*kept.said, (
            "no worker tries it again by itself; when that is put right, ask for it once more with "
            "--again"
        )))
        assert queue.at_work([ONE.key]) == {}
    (outcome,) = through_queue(queue, bench, {ONE.file: ONE.case}, wait=False, again=True, stop=NOT)
    assert (outcome.state, outcome.said) == ("waiting", ())
    assert queue.outcomes([ONE.key]) == {}


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
