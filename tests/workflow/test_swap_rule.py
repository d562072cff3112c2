"""A next set beside rods in circulation: none may be taken for another."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.core.case.identifier import grouped
from labkit.errors import RefusedError
from labkit.ledger.bodies import RodState
from labkit.ledger.verify import verify
from labkit.workflow.record.sheet import circulation_table
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.life import Told, tell
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.circulation import make_room, mistakable
from labkit.workflow.sets.make import job_of
from tests.support.dry import PLACE, finished, first_set, started
from tests.support.making import CASE, INSTALLED, MEANS, ONE, START, extra, recorder_for
from tests.support.prescriptions import changed, source

WHO = ("anna", START)
FIRST = f"{CASE}-r1"
#: 50 and 75 % of the set are 35.9 and 33.0; 51 and 75 % would be 35.8 and 33.0.
NEAR = changed(ONE, ("[50]", "[51, 75]"))
#: 0.6 and 0.7 mm away from either.
FAR = changed(ONE, ("[50]", "[56, 69]"))


def job(text):
    return job_of(open_case(source(text), dict(INSTALLED.templates)), MEANS)


def say(recorder, state, *rods):
    for rod in rods:
        recorder.ledger.write(CASE, RodState(rod.identifier, state), *WHO)


@pytest.fixture
def dry(url):
    """A recorded set of two steps of which no solid was built, on either database."""
    with recorder_for(url) as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 75]")))
        yield recorder


def test_a_set_beside_rods_that_could_be_taken_for_its_own_is_refused(dry):
    count = dry.ledger.head().count
    with pytest.raises(RefusedError) as refused:
        dry.start_beside(job(NEAR), PLACE, 1, take_back=False)
    said = str(refused.value)
    rods = {(rod.step, rod.side): rod for rod in dry.ledger.rods_of_set(FIRST)}
    first = rods[1, "left"].identifier
    shown = grouped(first)
    assert f"35.9 left beside 35.8, {shown} (in the lab, not released)" in said
    assert "33.0 right, " in said
    assert "use them and order what is missing with `labkit extra`, or make it by itself" in said
    assert dry.ledger.head().count == count


def test_a_set_far_from_all_rods_in_circulation_is_made(dry):
    _, ticket = dry.start_beside(job(FAR), PLACE, 1, take_back=False)
    assert ticket.revision == 2


def test_rods_in_the_lab_are_withdrawn_and_those_out_of_it_asked_back(dry):
    left, right, *others = dry.ledger.rods_of_set(FIRST)
    say(dry, "delivered", left, right)
    told, _ = dry.start_beside(job(NEAR), PLACE, 1, take_back=True)
    states = [rod.state for rod in dry.ledger.rods_of_set(FIRST)]
    assert states == ["delivered", "delivered", "withdrawn", "withdrawn"]
    (note,) = [f for f in told.case.spacer_set.findings if f.code == "take_back"]
    assert "take these rods back before the new ones are delivered" in note.message
    named = "; ".join(f"35.9 ({grouped(rod.identifier)})" for rod in (left, right))
    assert note.message.endswith(f"taken for the other: {named}")
    assert len(others) == 2
    assert verify(dry.ledger).ok


def test_a_rod_that_is_being_made_elsewhere_cannot_be_taken_back(dry):
    started(dry, job(FAR))
    with pytest.raises(RefusedError, match="being made"):
        make_room(dry.ledger, job(FAR), WHO, take_back=True)


def test_rods_that_are_gone_stand_in_nobodys_way(dry):
    rods = dry.ledger.rods_of_set(FIRST)
    say(dry, "lost", *rods)
    assert mistakable(dry.ledger, CASE, job(NEAR).case.spacer_set) == ()


def test_a_new_rod_is_not_delivered_while_one_like_it_is_out(dry):
    left, *_ = dry.ledger.rods_of_set(FIRST)
    say(dry, "delivered", left)
    first = job(NEAR)
    next_job, ticket = dry.start_beside(first, PLACE, 1, take_back=True)
    assert replace(next_job, case=first.case) == first
    spec = {"schema": 1, "case": CASE, "revision": ticket.revision}
    finished(dry, spec)
    new = dry.ledger.rods_of_set(f"{CASE}-r2")[0]
    out = Told("delivered", unreleased="the lab releases nothing")
    with pytest.raises(RefusedError, match=f"first .`labkit rod {left.identifier} returned"):
        tell(dry.ledger, (new.identifier,), out, *WHO)
    tell(dry.ledger, (left.identifier,), Told("returned"), *WHO)
    tell(dry.ledger, (new.identifier,), out, *WHO)
    with pytest.raises(RefusedError, match="could be taken for 35.8, .* which is in circulation"):
        tell(dry.ledger, (left.identifier,), Told("delivered"), *WHO)
    table = circulation_table(standing_of_case(dry.ledger, CASE))
    assert len(table.rows) == 4


def test_extra_rods_keep_the_same_distance(recorded, out):
    with pytest.raises(RefusedError, match="35.8 asked for at 51 % and the existing 35.9 in"):
        extra(out, recorded, 51)
