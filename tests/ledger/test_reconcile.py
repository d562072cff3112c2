"""Sets left open by a kill are settled; what else disagrees is told."""

from __future__ import annotations

import itertools

import pytest

from labkit.ledger.events import Kind
from labkit.ledger.reconcile import Action, Found, Lying, decide, reconcile
from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from tests.support.ledgers import SPEC, Pen, made, moment, started

CASE = "QF-1"
SUMS = "cd" * 32
WHOLE = Found(Lying.WHOLE, spec=SPEC, sums_sha256=SUMS)
ABSENT = Found(Lying.ABSENT, "the folder is not there")
DAMAGED = Found(Lying.DAMAGED, "a.step was changed")
BUSY = Found(Lying.BUSY)

EXPECTED = {
    (SetState.STARTED, Lying.WHOLE): Action.RECORD_MADE,
    (SetState.STARTED, Lying.DAMAGED): Action.RECORD_ABANDONED,
    (SetState.STARTED, Lying.ABSENT): Action.RECORD_ABANDONED,
    (SetState.MADE, Lying.WHOLE): Action.NOTHING,
    (SetState.MADE, Lying.DAMAGED): Action.TELL,
    (SetState.MADE, Lying.ABSENT): Action.TELL,
    (SetState.ABANDONED, Lying.WHOLE): Action.TELL,
    (SetState.ABANDONED, Lying.DAMAGED): Action.TELL,
    (SetState.ABANDONED, Lying.ABSENT): Action.NOTHING,
}


@pytest.fixture
def ledger(url):
    with open_ledger(url) as ledger:
        pen = Pen(ledger)
        pen.open_case(CASE)
        pen.make(CASE, "made", 1)
        pen(Kind.SET_STARTED, CASE, started("started", 1))
        pen(Kind.SET_STARTED, CASE, started("abandoned", 1))
        pen(Kind.SET_ABANDONED, CASE, {"set": "abandoned", "reason": "x"})
        yield ledger


def run(ledger, look):
    return reconcile(ledger, look, "anna", moment(100))


def test_every_pair_of_record_and_disk_has_its_decision(ledger):
    sets = {stored.state: stored for stored in ledger.sets(CASE)}
    for state, found in itertools.product(SetState, (WHOLE, ABSENT, DAMAGED, BUSY)):
        decision = decide(sets[state], found)
        expected = Action.WAIT if found is BUSY else EXPECTED[state, found.lying]
        assert decision.action is expected, (state, found)
        assert decision.sentence.startswith(f"{sets[state].name}: ")


def test_a_whole_folder_that_is_not_the_recorded_one_is_told(ledger):
    stored = ledger.set_named("made")
    other = Found(Lying.WHOLE, spec=SPEC, sums_sha256="ef" * 32)
    assert decide(stored, other).action is Action.TELL


def test_a_whole_folder_is_recorded_as_made(ledger):
    run(ledger, lambda s: ABSENT if s.name == "abandoned" else WHOLE)
    stored = ledger.set_named("started")
    assert (stored.state, stored.sums_sha256) == (SetState.MADE, SUMS)
    assert stored.spec.content == SPEC
    assert verify(ledger).ok
    again = run(ledger, lambda s: ABSENT if s.name == "abandoned" else WHOLE)
    assert {decision.action for decision in again} == {Action.NOTHING}


def test_what_is_not_whole_is_abandoned_and_its_identifiers_stay_taken(ledger):
    (rod, _) = ledger.rods_of_set("started")
    run(ledger, lambda s: DAMAGED if s.name == "started" else WHOLE)
    assert ledger.set_named("started").state is SetState.ABANDONED
    assert ledger.is_used(rod.identifier)
    assert ledger.story(CASE)[-1].body["reason"] == "a.step was changed"
    assert verify(ledger).ok


def test_a_run_at_work_is_left_alone(ledger):
    before = ledger.head()
    run(ledger, lambda _: BUSY)
    assert ledger.head() == before


def test_a_set_that_was_finished_meanwhile_is_left_as_it_is(ledger):
    pen = Pen(ledger)

    def look(stored):
        if stored.name == "started":  # its own run finishes while we look
            pen(Kind.SET_MADE, CASE, made("started"))
        return ABSENT

    done = run(ledger, look)
    assert ledger.set_named("started").state is SetState.MADE
    assert "started" not in {decision.set_name for decision in done}


def test_papers_made_again_are_told_apart_from_another_set(ledger):
    (stored,) = (one for one in ledger.sets(CASE) if one.state is SetState.MADE)
    again = Found(Lying.WHOLE, spec=stored.spec.content, sums_sha256="ef" * 32)
    decision = decide(stored, again)
    assert decision.action is Action.TELL
    assert "other files of it were made again since" in decision.sentence
    other = decide(stored, Found(Lying.WHOLE, spec={"schema": 1, "x": 1}, sums_sha256="ef" * 32))
    assert other.action is Action.TELL
    assert "is whole but not the set that was recorded" in other.sentence
