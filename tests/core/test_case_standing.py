"""The standing of a case and what any two rods make, against SciPy and sums by hand."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.rods import rod_templates
from labkit.core.case.case_standing import (
    CaseRod,
    CaseStanding,
    SetOfCase,
    SetStanding,
    asked_back,
    pairs_now,
)
from labkit.core.case.cover import TolerancedRod
from labkit.core.case.pair_question import together
from labkit.core.case.rod_life import OUT_OF_HOUSE, RodState
from labkit.core.case.rods_out import RodOut
from labkit.core.case.standing import RangeNow
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import LengthLimits
from tests.support.independent import hinged_read, numbers
from tests.support.recorded import graded, parallel, read, unequal

LIMITS = LengthLimits.of(rod_templates()["eye-eye-flat"])
MODELS = [
    parallel("A", action) if model == "straight" else unequal("A", model, action)
    for model in ("straight", "sliding", "hinged") for action in ("pull", "push")
]


def rods(text, states=None, set_number=1):
    """Every rod of a set, delivered unless told otherwise: (step, side) → state."""
    states = states or {}
    return [
        CaseRod(
            TolerancedRod(RodOut(f"r{set_number}/{number}", side, step.rod(side).label),
                          step.rod(side).tolerance_mm),
            f"{set_number}-{number}-{side}", set_number, number,
            states.get((number, side), RodState.DELIVERED), "2031-03-14",
        )
        for number, step in enumerate(graded(text).steps, 1) for side in Side
    ]


def shorter(text, mm="0.8"):
    """The prescription after a trial fit at which the jaw went less far."""
    prescription = read(text)
    bite = prescription.bite
    protruded = bite.protruded - Decimal(mm)
    share = (protruded - bite.retruded) / (bite.protruded - bite.retruded)
    deviation = bite.midline_deviation_mm * share
    return replace(
        prescription, bite=replace(bite, protruded=protruded, midline_deviation_mm=deviation)
    )


def standing_of(pairs, changed=True):
    now = RangeNow(8.4, 7, "2031-04-01", "anna")
    sets = tuple(SetOfCase(f"r{n}", n, 9.2, changed) for n in (1, 2))
    return CaseStanding("A", 2, now, 9, "2031-04-02", sets, pairs)


def test_straight_rods_by_hand():
    """30 mm at the registered bite, 7 mm forward of 0 %; pull: a rod 1 mm shorter, 1 mm more.

    70 to 100 % of 9.2 mm are 30.56, 29.64, 28.72 and 27.8 mm, made to tenths: 37 mm − L forward.
    Of 8.4 mm they make 6.4/8.4 and so on; the last one 0.8 mm too much, of which its tolerance
    makes 0.1 mm.
    """
    pairs = pairs_now(rods(parallel("A")), shorter(parallel("A")), LIMITS)
    made = [(p.step, p.lengths, p.makes.advancement_mm, p.makes.percent) for p in pairs]
    assert made == [
        (step, f"{length}/{length}", pytest.approx(mm), pytest.approx(100 * mm / 8.4))
        for step, length, mm in ((1, 30.6, 6.4), (2, 29.6, 7.4), (3, 28.7, 8.3), (4, 27.8, 9.2))
    ]
    assert [p.words for p in pairs] == ["", "", "", "NOT TO BE WORN"]
    assert pairs[3].name == "set 1, step 4 (109.5 %, 27.8/27.8)"
    assert pairs[3].makes.beyond_mm == pytest.approx(0.8)


@pytest.mark.parametrize("action", ["pull", "push"])
def test_hinged_pairs_against_scipy(action):
    text = unequal("A", "hinged", action)
    now = shorter(text)
    zero, _, registered = numbers(now)
    range_mm = float(now.bite.protruded) - zero
    for pair in pairs_now(rods(text), now, LIMITS):
        lengths = [float(pair.rods[side].rod.length) for side in Side]
        advancement = hinged_read(now, lengths)[0] + registered
        assert pair.makes.advancement_mm == pytest.approx(advancement, abs=1e-7)
        assert pair.makes.percent == pytest.approx(100 * advancement / range_mm, abs=1e-6)
        assert pair.not_to_be_worn is (pair.step == 4)


def test_within_the_rods_own_tolerance_it_is_100_percent_within_rounding():
    """0.05 mm beyond; the rods' ±0.1 mm make ±0.1 mm of advancement."""
    last = pairs_now(rods(parallel("A")), shorter(parallel("A"), "0.05"), LIMITS)[3]
    assert last.makes.percent == pytest.approx(100 * 9.2 / 9.15)
    assert (last.within_rounding, last.not_to_be_worn) == (True, False)
    assert last.words == "100 % within rounding"
    exact = pairs_now(rods(parallel("A")), read(parallel("A")), LIMITS)[3]
    assert exact.words == ""


def test_rods_not_in_circulation_leave_their_places_empty():
    states = {
        (1, Side.LEFT): RodState.LOST, (2, Side.LEFT): RodState.BROKEN,
        (2, Side.RIGHT): RodState.RETURNED,
    }
    pairs = {p.step: p for p in pairs_now(rods(parallel("A"), states), read(parallel("A")), LIMITS)}
    assert pairs[1].lengths == "none/30.6"
    assert pairs[1].makes.percent == pytest.approx(100 * 6.4 / 9.2)
    assert [rod.state for rod in pairs[1].gone.values()] == ["lost"]
    assert pairs[2].makes is None
    assert list(pairs[2].gone) == list(Side)
    assert pairs[3].gone == {}


def test_a_rod_in_place_of_another_fills_the_place():
    lost, new = rods(parallel("A"), {(4, Side.LEFT): RodState.LOST}), rods(parallel("A"))[6]
    again = [*lost, replace(new, identifier="new", state=RodState.RESERVED)]
    pair = pairs_now(again, read(parallel("A")), LIMITS)[3]
    assert pair.gone == {}
    assert [rod.identifier for rod in pair.rods.values()] == ["new", "1-4-right"]


def test_start_and_steps_served_follow_the_prescription_of_now():
    """After the trial the steps are 5.88, 6.72, 7.56 and 8.4 mm: rods of 31.1 30.3 29.4 28.6 mm.

    Of the rods made only 28.7 lies within the tolerance of one of them.
    """
    before = pairs_now(rods(parallel("A")), read(parallel("A")), LIMITS)
    assert [(p.serves, p.start) for p in before] == [
        ((70.0,), True), ((80.0,), False), ((90.0,), False), ((100.0,), False)]
    after = pairs_now(rods(parallel("A")), shorter(parallel("A")), LIMITS)
    assert [p.serves for p in after] == [(), (), (100.0,), ()]


def test_rods_are_asked_back_only_where_somebody_has_them():
    states = {(4, Side.LEFT): RodState.FITTED, (4, Side.RIGHT): RodState.RELEASED}
    standing = standing_of(pairs_now(rods(parallel("A"), states), shorter(parallel("A")), LIMITS))
    assert [rod.identifier for rod in standing.asked_back] == ["1-4-left"]
    assert standing.true_as_of == "True as of entry 9 of the record, 2031-04-02"


def test_readings_that_are_refused_tell_nothing():
    bite = replace(read(parallel("A")).bite, protruded=Decimal(-9))
    pairs = pairs_now(rods(parallel("A")), replace(read(parallel("A")), bite=bite), LIMITS)
    assert [(p.makes.percent, p.serves, p.words) for p in pairs] == [
        (None, (), "NOT TO BE WORN")] * 4


def test_the_papers_of_a_set_show_all_pairs_where_they_are_mixed():
    first = rods(parallel("A"))
    alone = SetStanding(standing_of(pairs_now(first, shorter(parallel("A")), LIMITS)), 1, 9, "")
    assert alone.series == ()
    assert [one.number for one in alone.changed] == [1]
    both = [*first, *rods(parallel("A").replace("[70, 80, 90, 100]", "[75, 85]")
                          .replace("start = 70", "start = 75"), set_number=2)]
    mixed = SetStanding(standing_of(pairs_now(both, shorter(parallel("A")), LIMITS)), 2, 9, "")
    assert [(pair.set_number, pair.step) for pair in mixed.series] == [
        (1, 1), (2, 1), (1, 2), (2, 2), (1, 3), (1, 4)]
    assert [pair.step for pair in mixed.own_pairs] == [1, 2]
    assert [pair.set_number for pair in mixed.struck] == [1]


def toleranced(side, label, tolerance="0.1"):
    return TolerancedRod(RodOut("any", Side(side), str(label)), Decimal(tolerance))


def test_two_straight_rods_of_different_steps_are_told_from_each_other():
    """80 % left with 90 % right: 29.6 and 28.7 mm, of which the right one is 0.9 mm ahead."""
    found = together(toleranced("left", "29.6"), toleranced("right", "28.7"), read(parallel("A")))
    assert found.makes.advancement_mm == pytest.approx(7.85)
    assert found.off_mm == pytest.approx(-0.9)
    (against,) = found.against
    assert "the right rod holds the jaw 0.90 mm ahead" in against.message
    assert "one joint would carry the difference" in against.message
    same = together(toleranced("left", "29.6"), toleranced("right", "29.6"), read(parallel("A")))
    assert same.against == ()


def test_two_hinged_rods_of_different_steps_stand_sideways():
    """60 % left with 80 % right, against SciPy: sideways of the recorded path at that point."""
    text = unequal("A", "hinged")
    prescription, steps = read(text), graded(text).steps
    left, right = steps[1].left.length, steps[2].right.length
    pose = hinged_read(prescription, [float(left), float(right)])
    _, per_mm, registered = numbers(prescription)
    found = together(toleranced("left", left), toleranced("right", right), prescription)
    assert found.makes.advancement_mm == pytest.approx(pose[0] + registered, abs=1e-7)
    assert found.off_mm == pytest.approx(pose[1] - per_mm * pose[0], abs=1e-7)
    assert abs(found.off_mm) > 1
    assert [one.code for one in found.against] == ["jaw_sideways"]


def test_two_rods_beyond_the_maximum_are_not_to_be_worn():
    found = together(
        toleranced("left", "27.8"), toleranced("right", "27.8"), shorter(parallel("A"))
    )
    (against,) = found.against
    assert against.message == (
        "they make 109.5 % of the range that holds now, 0.80 mm beyond the maximum"
    )


def test_the_tolerance_that_rods_were_made_with_counts():
    """0.80 mm beyond the maximum is within ±0.9 mm, and not within ±0.1."""
    narrow, wide = (
        together(toleranced("left", "27.8", by), toleranced("right", "27.8", by),
                 shorter(parallel("A")))
        for by in ("0.1", "0.9")
    )
    assert [one.makes.tolerance_mm for one in (narrow, wide)] == pytest.approx([0.1, 0.9])
    assert [one.code for one in narrow.against] == ["beyond_the_maximum"]
    assert wide.against == ()


def test_two_rods_that_no_position_takes_are_not_to_be_worn():
    prescription = read(unequal("A", "hinged"))
    found = together(toleranced("left", "90.0"), toleranced("right", "5.0"), prescription)
    assert [one.code for one in found.against] == ["jaw_pose"]
    assert found.against[0].message == "no position of the jaw takes both of them at once"


@pytest.mark.parametrize("text", MODELS)
def test_rods_asked_back_are_those_of_the_whole_standing(text):
    """Random states, ranges, lengths as measured and rods in place of others, both roads."""
    rng = random.Random(text)
    found = Counter()
    for _ in range(8):
        prescription = shorter(text, f"{rng.choice((-0.8, 0.0, 0.1, 0.4, 1.6, 3.2))}")
        given = [changed_at_random(rng, rod) for rod in rods(text)]
        gone = replace(rng.choice(rods(text)), identifier="gone", state=RodState.WITHDRAWN)
        every = [gone, *rng.sample(given, rng.randint(1, len(given)))]
        quick = asked_back(every, prescription)
        whole = standing_of(pairs_now(every, prescription, None)).asked_back
        assert {rod.identifier for rod in quick} == {rod.identifier for rod in whole}
        assert len(quick) == len(whole)
        found[bool(whole)] += 1
    assert min(found[True], found[False]) >= 1


def test_rods_that_cannot_be_read_back_are_asked_back():
    """The pair of step 2 stands farther apart than its rods are long, wherever the jaw is."""
    text = unequal("A", "sliding")
    given = [
        replace(one, rod=replace(one.rod, rod=replace(one.rod.rod, label="0.5")))
        if one.step == 2 else one for one in rods(text)
    ]
    assert {rod.step for rod in asked_back(given, read(text))} == {2}


def changed_at_random(rng, rod):
    """The rod in some state, at times used as it measures, seldom so short that nothing is read."""
    known = rod.rod.rod
    if rng.random() < 0.2:
        off = rng.choice((-0.5, -0.1, 0.02, 0.5))
        known = replace(known, measured_mm=float(known.length) + off)
    if rng.random() < 0.03:
        known = replace(known, label="0.5")
    state = rng.choice([*OUT_OF_HOUSE * 4, *RodState])
    return replace(rod, rod=replace(rod.rod, rod=known), state=state)
