"""The trial fit of a recorded case: what is read from the record, ordered next, and written."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.case.extra_requests import ByAdvancement, ByPercent
from labkit.core.case.extra_rods import extra_rods
from labkit.core.case.trial_seen import TrialSeen
from labkit.errors import InputError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.trial import propose
from labkit.workflow.rods.trial_accept import accept
from labkit.workflow.sets.stored_case import read_case
from tests.support.ledgers import Pen, moment
from tests.support.recorded import (
    graded,
    make_case,
    make_set,
    parallel,
    read,
    set_body,
    unequal,
)

CASE = "QF-1043"


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        yield ledger


def gaps(left, right=None):
    return TrialSeen(
        gap_left_mm=Decimal(left), gap_right_mm=Decimal(left if right is None else right)
    )


@pytest.mark.parametrize("model", ["straight", "sliding", "hinged"])
def test_the_record_reads_as_it_was_graded(ledger, model):
    text = unequal(CASE, model)
    make_case(Pen(ledger), text)
    now = standing_of_case(ledger, CASE).pairs
    assert [(pair.set_number, pair.step) for pair in now] == [(1, step) for step in range(1, 5)]
    for pair, step in zip(now, graded(text).steps, strict=True):
        assert pair.makes.advancement_mm == pytest.approx(step.made.advancement_mm, abs=1e-7)
        assert pair.makes.percent == pytest.approx(step.made.percent, abs=1e-6)
        assert pair.makes.tolerance_mm == pytest.approx(step.hold.forward_mm, abs=1e-9)
        assert pair.serves == (step.percent,)
        assert not pair.words


def test_limits_are_those_stored_with_the_set(ledger):
    text = parallel(CASE)
    body = set_body(text, f"{CASE}-r1")
    body["template"] |= {"shortest_mm": 26.5, "length_tolerance": "m"}
    pen = Pen(ledger)
    pen(Kind.CASE_OPENED, CASE, {})
    pen(Kind.PRESCRIPTION, CASE, {"revision": 1, "text": text})
    make_set(pen, CASE, body)
    limits = read_case(ledger, CASE).limits
    assert (limits.shortest_mm, limits.tolerance_class) == (Decimal("26.5"), "m")


def test_a_template_of_another_form_is_told(ledger):
    body = set_body(parallel(CASE), f"{CASE}-r1")
    del body["template"]["shortest_mm"]
    pen = Pen(ledger)
    pen(Kind.CASE_OPENED, CASE, {})
    pen(Kind.PRESCRIPTION, CASE, {"revision": 1, "text": parallel(CASE)})
    make_set(pen, CASE, body)
    with pytest.raises(InputError, match="stored in a form that this program does not know"):
        propose(ledger, CASE, gaps("1"))


def test_the_order_is_what_extra_rods_allow(ledger):
    """Every rod that the order asks for can be made together; every other one cannot."""
    make_case(Pen(ledger), unequal(CASE, "sliding"))
    for tenths in range(-20, 21, 4):
        trial = propose(ledger, CASE, gaps(Decimal(tenths) / 10))
        if trial.outcome.proposal is None or trial.order is None:
            continue
        holds = replace(trial.stored.prescription, bite=trial.outcome.proposal.bite)
        if trial.outcome.proposal.confirmed:
            holds = trial.stored.prescription
        rods, limits = trial.stored.out, trial.stored.limits
        asked = trial.order.requests
        if asked:
            assert not extra_rods(holds, rods, asked, limits).refused
        missing = {step.percent for step in trial.prescribed if not step.covered}
        for percent in missing - {float(request.percent) for request in asked}:
            request = ByPercent(Decimal(repr(percent)))
            assert extra_rods(holds, rods, (request,), limits).refused


def test_a_series_in_mm_is_ordered_in_mm(ledger):
    text = parallel(CASE).replace(
        "percent = [70, 80, 90, 100]\nstart = 70", "advancement = [6, 7, 8, 10]\nstart = 6"
    )
    make_case(Pen(ledger), text)
    trial = propose(ledger, CASE, gaps("1"))
    assert trial.outcome.proposal.range_mm == pytest.approx(11, abs=1e-9)
    # In mm the rods stay those of their steps: nothing is missing on a longer range.
    assert trial.order.command == ""
    assert all(step.covered for step in trial.prescribed)
    left, right = (rod["identifier"] for rod in set_body(text, f"{CASE}-r1")["rods"][2:4])
    ledger.record(Kind.ROD_STATE, CASE, {"identifier": left, "state": "lost"}, "anna", moment(98))
    order = propose(ledger, CASE, gaps("1")).order
    # A step is made as a pair, and its right rod is still out.
    assert (order.command, [f.code for f in order.cannot]) == ("", ["rod_exists"])
    ledger.record(Kind.ROD_STATE, CASE, {"identifier": right, "state": "lost"}, "anna", moment(99))
    order = propose(ledger, CASE, gaps("1")).order
    assert order.requests == (ByAdvancement(Decimal(7)),)
    assert order.command == "labkit extra QF-1043 --advancement 7 --out sets"


def test_lost_rods_are_not_out(ledger):
    rods = make_case(Pen(ledger), parallel(CASE))
    for rod in rods[4:6]:
        state = {"identifier": rod["identifier"], "state": "lost"}
        ledger.record(Kind.ROD_STATE, CASE, state, "anna", moment(50))
    trial = propose(ledger, CASE, TrialSeen(met="28.0"))
    assert {finding.code for finding in trial.outcome.refused} == {"rod_not_out"}


@pytest.mark.parametrize("model", ["straight", "sliding", "hinged"])
def test_what_acceptance_records(ledger, model):
    text = unequal(CASE, model)
    make_case(Pen(ledger), text)
    seen = gaps("0.62345", "-0.1")
    shown = propose(ledger, CASE, seen)
    count = ledger.head().count
    done = accept(ledger, CASE, seen, "berta", moment(60), "in the chair")
    assert done.outcome == shown.outcome
    trial, decided, revised = ledger.story(CASE)[count:]
    assert (trial.kind, decided.kind, revised.kind) == (
        Kind.TRIAL_FIT, Kind.TRIAL_ACCEPTED, Kind.PRESCRIPTION,
    )  # fmt: skip
    assert trial.body["left"] == {"gap_um": 623}
    assert trial.body["right"] == {"gap_um": -100}
    assert trial.body["proposal"]["seen"]["left"] == {"gap_mm": "0.62345"}
    assert trial.body["note"] == "in the chair"
    assert decided.body == {"trial": trial.seq, "revision": 2}
    assert (revised.body["revision"], revised.body["trial"]) == (2, trial.seq)
    # The new text differs in the two readings alone, and reads as proposed.
    old, new = text.splitlines(), revised.body["text"].splitlines()
    changed = [a.split(" = ")[0] for a, b in zip(old, new, strict=True) if a != b]
    assert changed == ["protruded", "midline_deviation"]
    assert read(revised.body["text"]).bite == done.outcome.proposal.bite
    assert read_case(ledger, CASE).revision == done.revision == 2
    assert verify(ledger).ok


def test_a_gap_of_nothing_is_recorded_as_nothing(ledger):
    make_case(Pen(ledger), parallel(CASE))
    accept(ledger, CASE, gaps("0", "0.4"), "kim", moment(100))
    (trial,) = (event for event in ledger.story(CASE) if event.kind is Kind.TRIAL_FIT)
    assert (trial.body["left"], trial.body["right"]) == ({"gap_um": 0}, {"gap_um": 400})


def test_a_second_trial_starts_from_the_accepted_range(ledger):
    make_case(Pen(ledger), parallel(CASE))
    accept(ledger, CASE, TrialSeen(met="28.0"), "anna", moment(60))
    # Another visit: the patient now reaches what the 27.0 rods hold, 10 mm again.
    done = accept(ledger, CASE, TrialSeen(met="27.0"), "anna", moment(90))
    assert done.revision == 3
    assert done.outcome.proposal.range_before_mm == pytest.approx(9, abs=1e-9)
    assert done.outcome.proposal.range_mm == pytest.approx(10, abs=1e-9)


def test_the_same_trial_may_be_told_again_once_rods_were_made(ledger):
    text = parallel(CASE).replace("[70, 80, 90, 100]", "[70, 80, 90]")
    pen = Pen(ledger)
    make_case(pen, text)
    accept(ledger, CASE, gaps("-1"), "anna", moment(60))
    with pytest.raises(RefusedError, match="accepted already, as event 6 by anna"):
        accept(ledger, CASE, gaps("-1"), "anna", moment(61))
    revised = ledger.prescription(CASE).text
    step = graded(revised.replace("[70, 80, 90]", "[70, 100]")).steps[-1]
    body = set_body(revised, f"{CASE}-r2", revision=2, set_revision=2, steps=[step])
    make_set(pen, CASE, body)
    assert accept(ledger, CASE, gaps("-1"), "anna", moment(90)).accepted is not None


def test_a_refused_trial_records_nothing(ledger):
    make_case(Pen(ledger), parallel(CASE))
    before = ledger.head()
    done = accept(ledger, CASE, gaps("9"), "anna", moment(60))
    assert done.accepted is None
    assert done.outcome.refused
    with pytest.raises(InputError, match="is not an operator code"):
        accept(ledger, CASE, gaps("1"), " ", moment(60))
    assert ledger.head() == before
