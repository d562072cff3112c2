"""The sets of a batch that are left to the workers of a queue."""

from __future__ import annotations

import dataclasses
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from labkit.cli.common import open_source
from labkit.cli.sets.one_of_many import Bench, digests, failed
from labkit.done import tell_done
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.ledger.store import look_into
from labkit.units import counted
from labkit.workflow.sets.again import last_recorded
from labkit.workflow.sets.batch import Outcome, with_set
from labkit.workflow.sets.cases import Case, open_case, refuse_if_refused
from labkit.workflow.sets.queue import MARK_FILE, MOST_TRIES, Asked, Queue

_LOOK_SECONDS = 1.0
_AGAIN = (
    "no worker tries it again by itself; when that is put right, ask for it once more with --again"
)
_GONE = (
    "it was taken out of the queue, or broke off there, and nothing was put down of it; run the "
    "same command again"
)


def through_queue(
    queue: Queue, bench: Bench, cases: dict[str, str], *, wait: bool, again: bool,
    stop: threading.Event,
) -> Iterator[Outcome]:
    """Put what is missing into the queue; give what became of each prescription, or how far it is.

    Args:
        cases: File → case number.
        wait: Whether to stay until no set waits or is at work any more.
        again: Whether to ask once more for what workers could not make the last time.
        stop: Not to stay any longer once it is set.
    """
    (bench.out_dir / MARK_FILE).touch()
    asked: dict[str, Asked] = {}
    with look_into(bench.ledger_url) as reader:
        for file, case in cases.items():
            told = _ask(bench, reader, file, case)
            if isinstance(told, Outcome):
                yield told
            else:
                asked[told.key] = told
    if not again:
        yield from _without_a_set(queue, asked)
    queue.put(list(asked.values()))
    tell_done(f"{counted(len(asked), 'set')} wait in the queue, are at work or done")
    while asked:
        left = queue.at_work(list(asked))
        done = [key for key in asked if key not in left]
        outcomes = queue.outcomes(done)
        for key in done:
            yield _become(asked.pop(key), outcomes.get(key))
        put_back = queue.put_back(list(asked))
        if not wait or stop.is_set():
            break
        yield from _given_up(queue, asked, put_back)
        time.sleep(_LOOK_SECONDS if asked else 0)
    for key, one in asked.items():
        said = put_back[key][1].said if key in put_back else ()
        yield Outcome(one.file, one.case, left[key], said=said)


def _without_a_set(queue: Queue, asked: dict[str, Asked]) -> Iterator[Outcome]:
    """Take away what workers could not make the last time: they would say the same again."""
    at_work = queue.at_work(list(asked))  # looked at first: it may end meanwhile
    for key, outcome in queue.outcomes(list(asked)).items():
        if key not in at_work and outcome.state not in ("made", "there"):
            yield _become(asked.pop(key), outcome)


def _given_up(
    queue: Queue, asked: dict[str, Asked], put_back: dict[str, tuple[int, Outcome]]
) -> Iterator[Outcome]:
    """Take back what hosts put back too often, none of them making any set meanwhile.

    Only who asked for a set gives it up: a host that is not as it should be does not know that.
    """
    for key, (tries, outcome) in put_back.items():
        if tries < MOST_TRIES:
            continue
        why = (
            f"no host could make it in {tries} tries, and none made any other set meanwhile; the "
            f"last one said, {' '.join(outcome.said)}"
        )
        told = Outcome(asked[key].file, asked[key].case, "given up", said=(why,))
        if queue.give_up(asked[key], told):
            yield _become(asked.pop(key), told)


def _become(asked: Asked, outcome: Outcome | None) -> Outcome:
    if outcome is None:
        return Outcome(asked.file, asked.case, "broken off", said=(_GONE,))
    said = outcome.said if outcome.state in ("made", "there") else (*outcome.said, _AGAIN)
    return dataclasses.replace(outcome, file=asked.file, said=said)


def _ask(bench: Bench, reader: Reader, file: str, case: str) -> Asked | Outcome:
    """Ask for a set, unless it is refused or there already."""
    try:
        source = open_source(file)
        opened = open_case(source, bench.templates)
        refuse_if_refused(opened)
    except LabkitError as error:
        return failed(file, case, error)
    inputs, profile = digests(opened, bench.means)
    there = _there(bench, reader, opened, inputs)
    if there is not None:
        return dataclasses.replace(there, file=file)
    assert bench.by is not None
    return Asked(
        file, case, source.text, str(bench.out_dir.resolve()), bench.by, bench.process_name,
        inputs, profile,
    )


def _there(bench: Bench, reader: Reader, case: Case, inputs: str) -> Outcome | None:
    """Find the set where the record has it as made and its folder is here."""
    number = case.prescription.case
    stored = last_recorded(reader, number)
    if stored is None or stored.spec is None or stored.inputs_sha256 != inputs:
        return None
    folder = Path(stored.folder)
    if folder.parent != bench.out_dir.resolve() or not folder.is_dir():
        return None
    return with_set(Outcome("", number, "there"), folder, stored.spec.content)
