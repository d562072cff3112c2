"""The trial fit of a recorded case: what is read from the record, ordered next, and written."""

from __future__ import annotations

import datetime
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.case.extra_requests import ByAdvancement, ByPercent
from labkit.core.case.extra_rods import extra_rods
from labkit.core.case.trial_seen import Correct, TrialSeen
from labkit.core.grading.prescription import Side
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
from tests.support.trials import side_seen, trial_seen

CASE = "QF-1043"


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        yield ledger


NOW = moment(60)


def past(left, right=None, text=None, **more):
    """The 100 % rods of a case, by how far they reach past their seats (-: fall short)."""
    at_100 = graded(text or parallel(CASE)).steps[-1]
    labels = [at_100.rod(side).label for side in Side]
    return trial_seen(labels, (left, left if right is None else right), **more)


def met(label):
    return trial_seen((label, label))


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
        propose(ledger, CASE, past("1"), NOW)


def test_the_order_is_what_extra_rods_allow(ledger):
    """Every rod that the order asks for can be made together; every other one cannot."""
    text = unequal(CASE, "sliding")
    make_case(Pen(ledger), text)
    for tenths in range(-20, 21, 4):
        trial = propose(ledger, CASE, past(Decimal(tenths) / 10, text=text), NOW)
        if trial.outcome.proposal is None or trial.order is None:
            continue
        holds = trial.outcome.proposal.holds
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
        "percent = [70, 80, 90, 100]\nstart = 70", "advancement = [6, 7, 8, 9.2]\nstart = 6"
    )
    make_case(Pen(ledger), text)
    trial = propose(ledger, CASE, past("1"), NOW)
    assert trial.outcome.proposal.range_mm == pytest.approx(10.2, abs=1e-9)
    # In mm the rods stay those of their steps: nothing is missing on a longer range.
    assert trial.order.command == ""
    assert all(step.covered for step in trial.prescribed)
    left, right = (rod["identifier"] for rod in set_body(text, f"{CASE}-r1")["rods"][2:4])
    ledger.record(Kind.ROD_STATE, CASE, {"identifier": left, "state": "lost"}, "anna", moment(98))
    order = propose(ledger, CASE, met("27.8"), NOW).order
    # A step is made as a pair, and its right rod is still out.
    assert (order.command, [f.code for f in order.cannot]) == ("", ["rod_exists"])
    ledger.record(Kind.ROD_STATE, CASE, {"identifier": right, "state": "lost"}, "anna", moment(99))
    order = propose(ledger, CASE, met("27.8"), NOW).order
    assert order.requests == (ByAdvancement(Decimal(7)),)
    assert order.command == "labkit extra QF-1043 --advancement 7 --out sets"


def test_lost_rods_are_not_out(ledger):
    rods = make_case(Pen(ledger), parallel(CASE))
    for rod in rods[4:6]:
        state = {"identifier": rod["identifier"], "state": "lost"}
        ledger.record(Kind.ROD_STATE, CASE, state, "anna", moment(50))
    trial = propose(ledger, CASE, met("28.7"), NOW)
    assert {finding.code for finding in trial.outcome.refused} == {"rod_not_out"}


@pytest.mark.parametrize("model", ["straight", "sliding", "hinged"])
def test_what_acceptance_records(ledger, model):
    text = unequal(CASE, model)
    make_case(Pen(ledger), text)
    seen = past("0.623", "0.55", text)
    shown = propose(ledger, CASE, seen, NOW)
    count = ledger.head().count
    done = accept(ledger, CASE, seen, "berta", moment(60), "in the chair")
    assert done.outcome == shown.outcome
    trial, decided, revised = ledger.story(CASE)[count:]
    assert (trial.kind, decided.kind, revised.kind) == (
        Kind.TRIAL_FIT, Kind.TRIAL_ACCEPTED, Kind.PRESCRIPTION,
    )
    label = graded(text).steps[-1].left.label
    assert trial.body["left"] == {"label": label, "seen": "too_long", "by_um": 623}
    assert trial.body["right"]["by_um"] == 550
    assert trial.body["on"] == "2031-03-14"
    assert trial.body["proposal"]["seen"]["left"] == {
        "label": label, "identifier": None, "seen": "too_long", "by_mm": "0.623",
    }
    assert trial.body["proposal"]["seen"]["read_to_mm"] == "0.1"
    assert trial.body["note"] == "in the chair"
    assert decided.body == {"trial": trial.seq, "revision": 2}
    assert (revised.body["revision"], revised.body["trial"]) == (2, trial.seq)
    # The new text differs in the two readings alone, and reads as proposed.
    old, new = text.splitlines(), revised.body["text"].splitlines()
    changed = [a.split(" = ")[0] for a, b in zip(old, new, strict=True) if a != b]
    assert changed == ["protruded", "midline_deviation"]
    assert read(revised.body["text"]).bite == done.outcome.proposal.holds.bite
    assert read_case(ledger, CASE).revision == done.revision == 2
    assert verify(ledger).ok


def test_a_second_trial_starts_from_the_accepted_range(ledger):
    make_case(Pen(ledger), parallel(CASE))
    accept(ledger, CASE, met("28.7"), "anna", moment(60))
    # Another visit: the patient now reaches what the 27.8 rods hold, 9.2 mm again.
    done = accept(ledger, CASE, met("27.8"), "anna", moment(90))
    assert done.revision == 3
    assert done.outcome.proposal.range_before_mm == pytest.approx(8.3, abs=1e-9)
    assert done.outcome.proposal.range_mm == pytest.approx(9.2, abs=1e-9)


def test_a_refused_trial_records_nothing(ledger):
    make_case(Pen(ledger), parallel(CASE))
    before = ledger.head()
    done = accept(ledger, CASE, past("9"), "anna", NOW)
    assert done.entry is None
    assert done.outcome.refused
    with pytest.raises(InputError, match="is not an operator code"):
        accept(ledger, CASE, past("1"), " ", moment(60))
    assert ledger.head() == before


def test_the_same_trial_told_twice_moves_the_range_once(ledger):
    """The second one is a confirming trial, and is recorded as that."""
    make_case(Pen(ledger), parallel(CASE).replace("[70, 80, 90, 100]", "[70, 80, 90]"))
    seen = trial_seen(("28.7", "28.7"), ("-0.4", "-0.4"))
    assert accept(ledger, CASE, seen, "anna", moment(60)).revision == 2
    again = accept(ledger, CASE, seen, "anna", moment(61))
    assert (again.outcome.proposal.confirmed, again.revision, again.text) == (True, 2, "")
    assert [event.kind for event in ledger.story(CASE)[-2:]] == [
        Kind.TRIAL_FIT, Kind.TRIAL_ACCEPTED,
    ]


def test_a_confirming_trial_months_later(ledger):
    make_case(Pen(ledger), parallel(CASE))
    for months in range(3):
        at = moment(60) + datetime.timedelta(days=60 * months)
        done = accept(ledger, CASE, met("27.8"), "anna", at)
        assert done.entry is not None
        assert done.seen.on == at.date()
    assert len(ledger.prescriptions(CASE)) == 1


def test_a_corrected_side_is_written_as_a_distance_of_its_own(ledger):
    make_case(Pen(ledger), parallel(CASE))
    seen = past("-0.45", "0.45", correct=Correct.LEFT)
    done = accept(ledger, CASE, seen, "anna", NOW)
    now = read_case(ledger, CASE).prescription
    assert now == done.outcome.proposal.holds
    assert (now.left.pin_distance_mm, now.right.pin_distance_mm) == (30.9, 30)
    assert now.bite.protruded == Decimal("5.65")
    # Told again without a correction, the sides agree and the range stands.
    assert propose(ledger, CASE, replace(seen, correct=None), NOW).outcome.proposal.confirmed


def test_a_rod_named_by_its_identifier(ledger):
    rods = make_case(Pen(ledger), parallel(CASE))
    left, right = (rod["identifier"] for rod in rods[4:6])
    seen = TrialSeen(replace(side_seen("28.7"), label="", identifier=left), side_seen("28.7"))
    done = accept(ledger, CASE, seen, "anna", NOW)
    assert done.outcome.proposal.range_mm == pytest.approx(8.3)
    (trial,) = (event for event in ledger.story(CASE) if event.kind is Kind.TRIAL_FIT)
    assert trial.body["left"] == {"label": "28.7", "seen": "meets", "identifier": left}
    assert trial.body["right"] == {"label": "28.7", "seen": "meets"}
    wrong = TrialSeen(replace(side_seen("28.7"), label="", identifier=right), side_seen("28.7"))
    with pytest.raises(InputError, match=r"is the right rod 28\.7, but was named for the left"):
        propose(ledger, CASE, wrong, NOW)
    state = {"identifier": left, "state": "lost"}
    ledger.record(Kind.ROD_STATE, CASE, state, "anna", moment(70))
    with pytest.raises(RefusedError, match="is lost, and not in circulation"):
        propose(ledger, CASE, seen, moment(80))


def test_a_rod_of_another_case(ledger):
    pen = Pen(ledger)
    make_case(pen, parallel(CASE))
    other = make_case(pen, parallel("QF-2000"))[4]["identifier"]
    seen = TrialSeen(replace(side_seen("28.7"), label="", identifier=other), side_seen("28.7"))
    with pytest.raises(InputError, match="is not a rod of the case 'QF-1043'; give the rod that"):
        propose(ledger, CASE, seen, NOW)


DAY = NOW.date()


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        (1, "2031-03-15 lies in the future; today is 2031-03-14"),
        (-1, "2031-03-13 is before the case's first set was made, on 2031-03-14"),
    ],
)
def test_a_day_that_cannot_be(ledger, days, sentence):
    make_case(Pen(ledger), parallel(CASE))
    seen = replace(met("28.7"), on=DAY + datetime.timedelta(days=days))
    with pytest.raises(RefusedError, match=sentence):
        accept(ledger, CASE, seen, "anna", NOW)


def test_the_fitting_of_the_first_set_counts_where_it_is_recorded(ledger):
    rods = make_case(Pen(ledger), parallel(CASE))
    later = moment(60) + datetime.timedelta(days=30)
    for state, on in (("delivered", "2031-03-18"), ("fitted", "2031-03-20")):
        body = {"identifier": rods[0]["identifier"], "state": state, "on": on}
        ledger.record(Kind.ROD_STATE, CASE, body, "anna", later)
    early = replace(met("28.7"), on=datetime.date(2031, 3, 19))
    with pytest.raises(RefusedError, match="before the case's first set was fitted, on 2031-03-20"):
        propose(ledger, CASE, early, later)
    on_the_day = replace(early, on=datetime.date(2031, 3, 20))
    assert propose(ledger, CASE, on_the_day, later).seen.on == datetime.date(2031, 3, 20)


def test_an_older_observation_does_not_supersede_a_newer_one(ledger):
    make_case(Pen(ledger), parallel(CASE))
    later = moment(60) + datetime.timedelta(days=30)
    trial = accept(ledger, CASE, met("28.7"), "anna", later)
    older = replace(met("27.8"), on=DAY)
    with pytest.raises(RefusedError, match=(
        f"2031-03-14 is before the trial fit of {trial.seen.on}, entry 5 of the record, which was "
        "accepted and holds; withdraw that one first if it is wrong"
    )):
        accept(ledger, CASE, older, "anna", later)
