"""Grading: a set worked by hand, what each model knows, and any prescription at all."""

from __future__ import annotations

import time
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.core.grading.grade import LengthLimits, grade, side_tolerance
from labkit.core.grading.prescription import (
    Action,
    Anchors,
    Bite,
    Grading,
    GradingUnit,
    Jaw,
    JawModelName,
    Zero,
)
from labkit.errors import InputError
from tests.support.findings import found
from tests.support.patients import (
    LIMITS,
    PULL,
    PULL_RIGHT,
    anchored,
    decimals,
    hinged,
    percents,
    plain,
    sliding,
)

D = Decimal
#: The smallest prescription of the README.
SMALLEST_SET = plain(
    bite=Bite(Zero.RETRUDED, *decimals("6.4", "2.9", "-5.2")),
    grading=percents(50, "62.5", 75, "87.5", 100, start="62.5"),
)


def test_the_smallest_prescription():
    # Worked by hand: a = 11.6 p / 100, d = a − 5.2 − 2.9, L = 33.6 − d.
    graded = grade(SMALLEST_SET, LIMITS)
    assert graded.refused == ()
    assert graded.range_mm == 11.6
    assert [step.advancement_mm for step in graded.steps] == [5.8, 7.25, 8.7, 10.15, 11.6]
    assert [step.left.exact_mm for step in graded.steps] == pytest.approx(
        [35.9, 34.45, 33.0, 31.55, 30.1], abs=1e-12
    )
    assert [step.right.label for step in graded.steps] == ["35.9", "34.5", "33.0", "31.6", "30.1"]
    assert [step.start for step in graded.steps] == [False, True, False, False, False]
    made = graded.steps[1].made
    assert made.advancement_mm == pytest.approx(7.2, abs=1e-12)
    assert made.percent == pytest.approx(100 * 7.2 / 11.6, abs=1e-12)
    assert graded.steps[1].rounding_mm == pytest.approx(-0.05, abs=1e-12)
    assert (made.side_mismatch_mm, made.deviation_mm, made.pitch_deg) == (0.0, None, None)


def test_an_ordinary_set_has_no_finding():
    # 40 % to 100 % of 9.2 mm span 5.52 mm, and 10 % are 0.92 mm.
    ordinary = plain(grading=percents(40, 50, 60, 70, 80, 90, 100, start=60))
    assert grade(ordinary, LIMITS).findings == ()


def test_what_each_model_knows():
    straight = grade(plain(), LIMITS).steps[0].made
    slid = grade(anchored(sliding()), LIMITS).steps[0].made
    turned = grade(anchored(hinged()), LIMITS).steps[0].made
    angles = ("pitch_deg", "yaw_deg", "roll_deg", "pad_gap_left_mm", "pad_gap_right_mm")
    for made, mismatch, deviation, rotation in (
        (straight, True, False, False), (slid, True, True, False), (turned, False, True, True),
    ):
        assert (made.side_mismatch_mm is not None) is mismatch
        assert (made.deviation_mm is not None) is deviation
        assert all((getattr(made, name) is not None) is rotation for name in angles)


def test_straight_takes_the_anchors_where_no_pin_distance_is_given():
    lengths = grade(plain(left=PULL, right=PULL_RIGHT), LIMITS).steps[-1]
    # |U − M| of (29, −1, 12) is √986; 100 % lies 2.2 mm in front of the bite.
    assert lengths.left.exact_mm == pytest.approx(986**0.5 - 2.2, abs=1e-12)


def test_default_tolerances_are_those_of_the_class_at_each_length():
    # ISO 2768-1 fine: ±0.1 up to 30 mm, ±0.15 above.
    tolerances = {s.left.length: s.left.tolerance_mm for s in grade(SMALLEST_SET, LIMITS).steps}
    assert set(tolerances.values()) == {D("0.15")}
    short = plain(left=Anchors(24.0), right=Anchors(24.0))
    assert {step.left.tolerance_mm for step in grade(short, LIMITS).steps} == {D("0.1")}
    stated = plain(grading=percents(50, 100, start=50, tolerance_mm=D("0.07")))
    assert {step.left.tolerance_mm for step in grade(stated, LIMITS).steps} == {D("0.07")}


# Values -----------------------------------------------------------------------------------


def test_limits_are_checked_when_made():
    with pytest.raises(InputError, match=r"longest rod .16 mm. is shorter than the shortest"):
        LengthLimits(D(60), D(16), "f", "reversed")
    with pytest.raises(InputError, match="class v has no tolerance for 2 mm"):
        LengthLimits(D(2), D(16), "v", "short")


def test_the_same_prescription_gives_the_same_set():
    prescription = anchored(hinged())
    assert grade(prescription, LIMITS) == grade(prescription, LIMITS)


NUMBERS = st.decimals(-30, 130, places=1)
OPTIONAL = st.none() | NUMBERS
POINTS = st.tuples(*[st.floats(-60, 60)] * 3)
SIDES = st.builds(
    Anchors, st.none() | st.floats(-5, 90), st.none() | POINTS, st.none() | POINTS
)
JAWS = st.builds(
    Jaw, st.sampled_from(list(JawModelName)), st.floats(-80, 80),
    st.tuples(st.floats(-80, 80), st.floats(-80, 80)), POINTS, POINTS, st.floats(-80, 80),
    POINTS, POINTS, POINTS,
)
BITES = st.builds(
    Bite, st.sampled_from(list(Zero)), NUMBERS, NUMBERS, OPTIONAL, OPTIONAL, NUMBERS
)
GRADINGS = st.builds(
    Grading, st.sampled_from(list(GradingUnit)), st.lists(NUMBERS, max_size=4).map(tuple),
    OPTIONAL, OPTIONAL, OPTIONAL, st.none() | st.integers(-2, 70), OPTIONAL,
    st.sampled_from(decimals("0.1", "0.05", 1, 0)), st.none() | NUMBERS,
)


@settings(deadline=None, max_examples=300)
@given(BITES, SIDES, SIDES, JAWS, GRADINGS, st.sampled_from(list(Action)))
def test_no_prescription_makes_grading_raise(bite, left, right, jaw, grading, action):
    prescription = plain(
        bite=bite, left=left, right=right, jaw=jaw, grading=grading, action=action
    )
    graded = grade(prescription, LIMITS)
    assert graded.steps or graded.refused
    assert list(graded.steps) == sorted(graded.steps, key=lambda step: step.percent)


@settings(deadline=None, max_examples=150)
@given(
    JAWS, st.sampled_from(list(Action)), st.floats(1, 40), st.floats(1, 40), st.floats(-30, 30)
)
def test_no_jaw_makes_grading_raise(jaw, action, ahead, apart, above):
    sides = {
        name: Anchors(upper=(action.sigma * ahead, y, above), lower=(0.0, y + shift, 0.0))
        for name, y, shift in (("left", 20.0, apart), ("right", -20.0, -apart))
    }
    jaw = replace(
        jaw, condyle_left=(-80.0, 50.0, jaw.condyle_left[2]),
        condyle_right=(-80.0, -50.0, jaw.condyle_right[2]),
    )
    graded = grade(plain(jaw=jaw, action=action, **sides), LIMITS)
    unreached = [finding for finding in graded.refused if finding.code == "jaw_pose"]
    assert len(graded.steps) + len(unreached) == 6


def test_straight_prescriptions_say_nothing_of_averages():
    jaw = Jaw(JawModelName.STRAIGHT, assumed=("incisal",))
    assert "average_values" not in found(plain(jaw=jaw))


def test_a_hinged_set_takes_milliseconds():
    prescription = anchored(hinged())
    grade(prescription, LIMITS)
    begin = time.process_time()
    for _ in range(20):
        grade(prescription, LIMITS)
    # Measured: 2 to 4 ms on one core; the limit leaves room for a busy machine.
    assert (time.process_time() - begin) / 20 < 0.05


def test_the_sides_have_a_tolerance_of_their_own():
    step = grade(SMALLEST_SET, LIMITS).steps[0]
    assert side_tolerance(step, SMALLEST_SET.grading) == step.left.tolerance_mm
    wide = replace(step, left=replace(step.left, tolerance_mm=D("0.3")))
    assert side_tolerance(wide, SMALLEST_SET.grading) == step.right.tolerance_mm
    stated = replace(SMALLEST_SET.grading, side_tolerance_mm=D("0.08"))
    assert side_tolerance(wide, stated) == D("0.08")
