"""The decision on a set: sides, order, steps, labels, missing rods."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.core.findings import Severity
from labkit.errors import InputError
from labkit.qa.decision.conformance import Result, results
from labkit.qa.decision.readings import Expected, RodReadings
from labkit.qa.decision.rod_decision import judge_rod
from labkit.qa.decision.set_decision import decide_set
from labkit.qa.decision.sides_and_steps import side_difference
from tests.support.measured_sets import SCANNER, budget, measured_set, places

NOMINAL = np.ravel([[34.0 - 0.7 * k] * 2 for k in range(6)])


def decided(changes=(), side=0.15, leave_out=(), **kinds):
    """Decide on a set of six steps, some rods off their label by so much."""
    lengths = NOMINAL.copy()
    for at, off in dict(changes).items():
        lengths[at] += off
    rods = measured_set(lengths, **kinds)
    expected = [rod.expected for rod in rods]
    tolerances = {step: Decimal(repr(side)) for step in range(1, 7)}
    return decide_set(
        expected, [rod for at, rod in enumerate(rods) if at not in leave_out], tolerances
    )


def codes(decision):
    return [finding.code for finding in decision.findings]


def test_a_good_set_conforms():
    decision = decided()
    assert decision.result is Result.CONFORMS
    assert (decision.findings, decision.held, decision.missing) == ((), frozenset(), ())
    assert [each.step for each in decision.differences] == [1, 2, 3, 4, 5, 6]
    assert [round(each.measured_mm, 6) for each in decision.steps] == [-0.7] * 10


def test_one_rod_that_does_not_conform_holds_itself_alone():
    decision = decided({3: 0.25})
    assert decision.result is Result.NOT_CONFORMING
    assert decision.held == {decision.rods[3].expected.identifier}


def test_one_undecided_rod_leaves_the_set_undecided():
    decision = decided({3: 0.14})
    assert decision.rods[3].result is Result.UNDECIDED
    assert decision.result is Result.UNDECIDED
    assert decision.held == {decision.rods[3].expected.identifier}


# --- left against right


def test_good_rods_may_differ_too_much_from_side_to_side():
    decision = decided({4: 0.11, 5: -0.11})
    assert {rod.result for rod in decision.rods} == {Result.CONFORMS}
    assert decision.result is Result.NOT_CONFORMING
    assert codes(decision) == ["sides_differ"]
    assert decision.held == {rod.expected.identifier for rod in decision.rods[4:6]}
    assert "32.6 left is 0.220 mm longer than 32.6 right" in decision.findings[0].message
    assert "beyond the side tolerance of ±0.15 mm" in decision.findings[0].message
    apart = dict.fromkeys(range(1, 12, 2), 0.3) | {4: 0.11, 5: 0.19}
    told = decided(apart, right=0.3).findings[0].message
    assert "32.6 left, taken against 32.9 right, is 0.220 mm longer than their labels say" in told


def test_sides_near_their_tolerance_are_undecided():
    decision = decided({4: 0.07, 5: -0.07})
    assert decision.result is Result.UNDECIDED
    assert codes(decision) == ["sides_undecided"]
    assert "which this gauge does not show to be within" in decision.findings[0].message
    assert len(decision.held) == 2
    coarse = decided({4: 0.04, 5: -0.04}, u=0.065, tolerance=0.3)
    assert "this gauge is too coarse for the side tolerance" in coarse.findings[0].message


def test_a_stated_side_tolerance_counts():
    assert decided({4: 0.04, 5: -0.04}).result is Result.CONFORMS
    assert decided({4: 0.04, 5: -0.04}, side=0.05).result is not Result.CONFORMS
    assert decided({4: 0.11, 5: -0.11}, side=0.4).result is Result.CONFORMS


def test_labels_that_differ_are_taken_off():
    rods = measured_set(NOMINAL + np.array([0, 0.3] * 6) + 0.02, right=0.3)
    (left, right) = rods[4:6]
    found = side_difference(left, right, Decimal("0.15"))
    assert found.difference_mm == pytest.approx(0, abs=1e-12)
    assert found.u_mm == pytest.approx(math.hypot(0.02, 0.02))
    assert found.decision.result is Result.CONFORMS


@given(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), st.floats(-0.5, 0.5))
@settings(max_examples=60, deadline=None)
def test_what_both_rods_have_in_common_cancels(first, second, common):
    """A wrong zero of the gauge changes no difference; exchanging the sides turns its sign."""
    (left, right) = measured_set([34.0 + first, 34.0 + second])
    both = measured_set([34.0 + first + common, 34.0 + second + common])
    tolerance = Decimal("0.15")
    one, moved = side_difference(left, right, tolerance), side_difference(*both, tolerance)
    assert moved.difference_mm == pytest.approx(one.difference_mm, abs=1e-9)
    turned = side_difference(*reversed(measured_set([34.0 + first, 34.0 + second])), tolerance)
    assert turned.difference_mm == pytest.approx(-one.difference_mm, abs=1e-9)


@pytest.mark.parametrize("shared", [0.0, 0.5, 0.9])
def test_differences_at_their_limit_are_accepted_once_in_twenty_at_most(shared):
    """Errors that both readings share cancel, so that counting them in full is on the safe side."""
    dice, u, tolerance, repeats = np.random.default_rng(3), 0.02, 0.15, 200_000
    common = dice.normal(0, u * math.sqrt(shared), repeats)
    own = dice.normal(0, u * math.sqrt(1 - shared), (2, repeats))
    left, right = common + tolerance + own[0], common + own[1]
    rods = measured_set([34.0, 34.0], u=u)
    stated = side_difference(*rods, Decimal("0.15")).u_mm
    accepted = results(left - right, stated, (-tolerance, tolerance)) == Result.CONFORMS
    assert accepted.mean() <= 0.05 + 4 * math.sqrt(0.05 * 0.95 / repeats)


# --- order, steps, missing, repeated


def test_rods_out_of_order_are_held():
    """Far off every label, so that it is no mix-up."""
    decision = decided({2: -1.1})
    assert "order" in codes(decision)
    named = next(f for f in decision.findings if f.code == "order").message
    assert "33.3 left" in named
    assert "32.6 left" in named
    assert len(decision.held) == 2
    assert decision.result is Result.NOT_CONFORMING


def test_a_mix_up_is_told_once():
    lengths = NOMINAL.copy()
    lengths[[0, 2]] = lengths[[2, 0]]
    decision = decide_set(
        [p for p in places()], measured_set(lengths), dict.fromkeys(range(1, 7), Decimal("0.15"))
    )
    assert codes(decision) == ["mix_up"]
    assert decision.held == {decision.rods[at].expected.identifier for at in (0, 2)}
    assert decision.result is Result.NOT_CONFORMING


def test_a_step_of_half_its_size_is_noted():
    decision = decided({0: -0.13, 1: -0.13, 2: 0.13, 3: 0.13}, tolerance=0.3, u=0.01)
    assert decision.result is Result.CONFORMS
    assert codes(decision) == []
    decision = decided({0: -0.2, 1: -0.2, 2: 0.2, 3: 0.2}, tolerance=0.3, u=0.01)
    assert codes(decision) == ["step_size", "step_size"]
    assert "34.0 and 33.3 left lie 0.300 mm apart instead of 0.7 mm: 43 %" in (
        decision.findings[0].message
    )
    assert decision.findings[0].severity is Severity.NOTE
    assert decision.result is Result.CONFORMS


def test_rods_not_measured_are_named_and_leave_the_set_undecided():
    decision = decided(leave_out=(2, 7))
    assert decision.result is Result.UNDECIDED
    assert [place.step for place in decision.missing] == [2, 4]
    assert codes(decision) == ["not_measured"]
    assert "33.3 left" in decision.findings[0].message
    assert [each.step for each in decision.differences] == [1, 3, 5, 6]


def test_a_rod_measured_twice_is_held():
    rods = measured_set(NOMINAL)
    expected = [rod.expected for rod in rods]
    twice = decide_set(expected, [*rods, rods[0]], dict.fromkeys(range(1, 7), Decimal("0.15")))
    assert codes(twice) == ["repeated"]
    assert twice.held == {rods[0].expected.identifier}
    assert twice.result is Result.UNDECIDED


def test_a_rod_of_another_set_is_refused():
    rods = measured_set(NOMINAL)
    with pytest.raises(InputError, match="is not a rod of this set"):
        decide_set([rod.expected for rod in rods[1:]], rods, {})


def test_a_gauge_too_coarse_for_the_steps_is_noted():
    decision = decided(u=0.18)
    assert codes(decision).count("mix_up_not_told") == 10
    assert "under four standard uncertainties of 0.180 mm" in decision.findings[-1].message


# --- labels and fittings


def test_a_wrong_label_holds_its_rod_alone_where_its_owners_bear_it():
    decision = decided(looks={0: ("33.3", True)})
    assert decision.result is Result.NOT_CONFORMING
    assert codes(decision) == ["label_of_another"]
    assert "bears the label of 33.3 left" in decision.findings[0].message
    assert "engraved or read wrong; hold it" in decision.findings[0].message
    assert decision.held == {decision.rods[0].expected.identifier}


def test_a_wrong_label_holds_those_whose_own_was_not_read():
    decision = decided(looks={0: ("33.3", True), 2: (None, True)})
    assert codes(decision) == ["label_of_another", "not_looked_at"]
    assert decision.held == {decision.rods[at].expected.identifier for at in (0, 2)}


def exchanged(first, second, looks, lengths=NOMINAL, **kinds):
    """Two rods change places; what is read on each is told."""
    lengths = np.array(lengths)
    lengths[[first, second]] = lengths[[second, first]]
    rods = measured_set(lengths, looks=looks, **kinds)
    tolerances = dict.fromkeys(range(1, 7), Decimal("0.15"))
    return decide_set([rod.expected for rod in rods], rods, tolerances)


def test_rods_in_each_others_bags_are_told_once_and_hold_no_other():
    looks = {0: ("33.3", True), 2: ("34.0", True)}
    decision = exchanged(0, 2, looks)
    assert codes(decision) == ["label_of_another"]
    assert "in each other's bags; put each into its own" in decision.findings[0].message
    assert decision.held == {decision.rods[at].expected.identifier for at in (0, 2)}
    assert decision.result is Result.NOT_CONFORMING


def test_labels_written_in_each_others_lines():
    decision = decided(
        looks={0: ("33.3", True), 2: ("34.0", True)}
    )
    assert codes(decision) == ["label_of_another"]
    assert "written down in each other's lines" in decision.findings[0].message


def test_mirror_parts_of_one_length_in_each_others_bags():
    """Their lengths are alike, so that only the marks tell."""
    looks = {0: ("34.0R", True), 1: ("34.0L", True)}
    decision = exchanged(0, 1, looks, mark=True)
    assert codes(decision) == ["label_of_another"]
    assert "in each other's bags" in decision.findings[0].message
    assert "read wrong" not in decision.findings[0].message
    assert len(decision.held) == 2


def test_a_rod_of_another_set_in_a_bag_holds_no_neighbour():
    """It bears its own label, which another rod of the set bears, too, and measures by it."""
    decision = decided({2: -1.4}, looks={2: ("31.9", True)})
    assert "label_of_another" in codes(decision)
    assert "order" not in codes(decision)
    told = next(f for f in decision.findings if f.code == "label_of_another").message
    assert "it is likely one of another set; hold it" in told


def test_a_mix_up_across_the_sides_says_nothing_of_the_neighbours_order():
    lengths = NOMINAL + np.array([0, 1.0] * 6)
    decision = exchanged(0, 1, {}, lengths, right=1.0)
    assert codes(decision) == ["mix_up"]
    assert decision.held == {rod.expected.identifier for rod in decision.rods[:2]}


def test_a_label_of_no_rod_and_a_bad_fitting_are_told():
    decision = decided(looks={0: ("33.8", True), 5: ("32.6", False)})
    assert codes(decision) == ["label_read", "fittings"]
    assert decision.result is Result.NOT_CONFORMING
    assert len(decision.held) == 2


def test_mirror_parts_bear_their_side():
    wrong = decided(mark=True, looks={0: ("34.0R", True)})
    assert codes(wrong) == ["label_of_another"]
    assert decided(mark=True).result is Result.CONFORMS


def test_what_nobody_looked_at_is_noted():
    decision = decided(looks={0: (None, None), 1: ("34.0", None)})
    assert codes(decision) == ["not_looked_at"]
    assert len(decision.not_looked_at) == 2


def test_a_tolerance_of_nothing_is_refused():
    with pytest.raises(InputError, match="must be above 0"):
        Expected("4829173065", 1, "left", "33.6", "", Decimal("33.6"), Decimal(0))


@pytest.mark.parametrize(
    ("diameter", "held"), [(2.505, False), (2.515, False), (2.53, True), (2.47, True)]
)
def test_a_bore_beyond_its_limits_on_the_scan_holds_the_rod(diameter, held):
    """Limits 2.500 to 2.514: beyond them with 95 %, not merely not shown to be within."""
    (place, *_) = places()
    end = {"kind": "bore", "diameter_mm": diameter, "u_mm": 0.003, "least_mm": "2.500",
           "most_mm": "2.514"}
    readings = RodReadings(
        place.identifier, None, label_read=place.engraved, fittings=True, look=(),
        instrument=SCANNER, scan={"lower": end, "upper": {**end, "diameter_mm": 2.507}},
    )
    rod = judge_rod(place, readings, None, (float(place.length_mm), budget(0.01)))
    assert (rod.result is Result.NOT_CONFORMING) is held
    if held:
        (problem,) = rod.problems
        told = f"the lower bore measures {diameter:.3f} mm on the scan, beyond its limits 2.500"
        assert told in problem.message


@pytest.mark.parametrize(
    ("scanner", "told"),
    [(None, "a scan without a named scanner informs and decides nothing"),
     (replace(SCANNER, form_mm=None), "a scan without the form error of desk-scanner informs")],
)
@pytest.mark.parametrize("off", [0.0, 1.0])
def test_a_scan_without_a_known_form_error_decides_nothing(scanner, told, off):
    (place, *_) = places()
    readings = RodReadings(
        place.identifier, None, label_read=place.engraved, fittings=True, look=(),
        instrument=scanner,
    )
    rod = judge_rod(place, readings, None, (float(place.length_mm) + off, budget(0.01)))
    assert rod.result is Result.UNDECIDED
    (problem,) = rod.problems
    assert told in problem.message


def test_a_mirrored_or_bent_scan_never_conforms():
    (place, *_) = places()
    readings = RodReadings(
        place.identifier, None, label_read=place.engraved, fittings=True, look=(),
        instrument=SCANNER, scan={"faults": ["the rod is bent"]},
    )
    rod = judge_rod(place, readings, None, (float(place.length_mm), budget(0.01)))
    assert rod.result is Result.UNDECIDED
    assert [one.message for one in rod.problems] == [f"{place.name}: on the scan, the rod is bent"]
