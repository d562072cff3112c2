"""Every refusal of DEVELOPERS.md, The design, Grading, with its sentence."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import (
    Action,
    Anchors,
    Bite,
    Grading,
    GradingUnit,
    Zero,
)
from tests.support.findings import found, refusal
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


def test_a_percent_above_100_is_refused_and_the_others_are_shown():
    prescription = plain(grading=percents(80, 90, 110, start=80))
    finding = refusal(prescription, "percent_above_100")
    assert "the step 110 % is more than the jaw was recorded to move forward" in finding.message
    assert finding.where == "110 %"
    assert [step.percent for step in grade(prescription, LIMITS).steps] == [80, 90]


def test_a_percent_below_0_is_refused():
    finding = refusal(plain(grading=percents(-5, 50)), "percent_below_0")
    assert "the step -5 % lies behind the zero reading" in finding.message


def test_readings_out_of_order_are_refused():
    prescription = plain(bite=Bite(Zero.RETRUDED, *decimals("-5.2", 3, 4)))
    finding = refusal(prescription, "readings_out_of_order")
    said = "the retruded reading (4) lies in front of the protruded reading (-5.2)"
    assert said in finding.message
    assert grade(prescription, LIMITS).steps == ()


def test_a_registered_reading_outside_the_range_is_refused():
    prescription = plain(bite=Bite(Zero.RETRUDED, *decimals("5.2", 7, -4)))
    finding = refusal(prescription, "registered_outside")
    assert "the registered reading (7) lies outside the range" in finding.message


def test_equal_labels_on_one_side_are_refused():
    finding = refusal(plain(grading=percents(50, "50.2", 60, start=50)), "labels_repeat")
    assert finding.message == (
        "the left rods at 50 % and 50.2 % would bear the same label 36.0; set the steps further "
        "apart, or use a finer length grid"
    )
    codes = [f.where for f in grade(plain(grading=percents(50, "50.2")), LIMITS).refused]
    assert codes == ["50 %, 50.2 % left", "50 %, 50.2 % right"]


@pytest.mark.parametrize(
    ("tolerance", "wide"), [("0.24", False), ("0.25", True), ("0.3", True)]
)
def test_a_tolerance_of_half_the_smallest_difference_is_refused(tolerance, wide):
    grading = percents(50, 60, 65, start=50, tolerance_mm=D(tolerance))
    codes = found(plain(grading=grading))
    assert ("tolerance_too_wide" in codes) is wide
    if wide:
        assert codes["tolerance_too_wide"].message == (
            "the left rods 34.6 (65 %) and 35.1 (60 %) differ by 0.5 mm, but a tolerance of "
            f"±{tolerance} mm lets them swap; a tolerance must stay below half of the difference "
            "(0.25 mm), so state a narrower one that the process holds, or set the steps further "
            "apart"
        )


def test_unlike_tolerances_of_neighbours_count_together():
    # Fine class: ±0.1 at 29.9, ±0.15 at 30.1; together more than their difference of 0.2 mm.
    prescription = plain(left=Anchors(29.5), right=Anchors(29.5), grading=percents(70, 72))
    finding = refusal(prescription, "tolerance_too_wide")
    assert "tolerances of ±0.1 and ±0.15 mm lets them swap" in finding.message


def test_the_default_tolerance_is_checked_too():
    medium = replace(LIMITS, tolerance_class="m")
    prescription = plain(grading=percents(50, 55, 60, start=50))
    assert "a tolerance of ±0.3 mm" in refusal(prescription, "tolerance_too_wide", medium).message
    assert "tolerance_too_wide" not in found(prescription)


def test_a_length_outside_the_limits_of_the_template_is_refused():
    finding = refusal(plain(left=Anchors(18.0)), "length_outside_limits")
    assert finding.message == (
        "the left rod at 100 % would be 15.8 mm long; template eye-eye-flat takes 16 to 60 mm, "
        "so choose another template or move the anchors"
    )
    assert finding.where == "100 % left"
    assert "length_outside_limits" not in found(plain(left=Anchors(18.2)))


def test_even_a_rod_of_no_length_is_refused_and_not_raised():
    finding = refusal(
        plain(right=Anchors(1.2), grading=percents(100)), "length_outside_limits"
    )
    assert "the right rod at 100 % would be -1.0 mm long" in finding.message


def test_anchors_that_contradict_the_pin_distance_are_refused():
    # The anchors are √986 = 31.401 mm apart.
    prescription = anchored(sliding(), left=replace(PULL, pin_distance_mm=31.46))
    finding = refusal(prescription, "anchors_contradict_pin_distance")
    assert finding.message == (
        "the left anchors are 31.401 mm apart, but the pin distance is given as 31.46 mm; they "
        "may differ by 0.05 mm, so measure again or leave one out"
    )
    near = anchored(sliding(), left=replace(PULL, pin_distance_mm=31.45))
    assert "anchors_contradict_pin_distance" not in found(near)


def test_pull_anchors_with_the_upper_seat_behind_are_refused():
    behind = Anchors(upper=(-26.0, 24.0, 6.0), lower=(-1.0, 25.0, -6.0))
    finding = refusal(anchored(sliding(), left=behind), "anchors_contradict_action")
    assert finding.message == (
        "the left upper seat lies 25.00 mm behind the lower one, but a pull rod needs it in front "
        "of the lower seat; check the anchors, or whether the action is push"
    )


def test_push_anchors_with_the_upper_seat_in_front_are_refused():
    finding = refusal(anchored(hinged(), action=Action.PUSH), "anchors_contradict_action")
    assert "lies 29.00 mm in front of the lower one, but a push rod needs it behind" in (
        finding.message
    )


def test_an_upright_rod_is_neither_pull_nor_push():
    level = Anchors(upper=(1.0, 24.0, 6.0), lower=(1.0, 25.0, -6.0))
    finding = refusal(anchored(sliding(), left=level), "anchors_contradict_action")
    assert "the left upper seat lies level with the lower one" in finding.message


def test_a_side_without_any_length_is_refused():
    finding = refusal(plain(right=Anchors()), "side_without_length")
    assert "the right side has neither a pin distance nor both anchor points" in finding.message


@pytest.mark.parametrize("jaw", [sliding(), hinged()])
def test_models_that_need_anchors_refuse_a_bare_pin_distance(jaw):
    finding = refusal(anchored(jaw, right=Anchors(33.6)), "side_without_anchors")
    assert finding.message == (
        f"the {jaw.model} jaw model needs the upper and the lower anchor point of the right side; "
        'give both, or use model = "straight" with a pin distance'
    )


def test_exchanged_sides_are_refused():
    prescription = anchored(sliding(), left=PULL_RIGHT, right=PULL)
    finding = refusal(prescription, "sides_contradict")
    assert finding.message == (
        "the left upper anchor (y = -24) does not lie to the left of the right one (y = 24); y "
        "grows to the patient's left, so check whether the sides are exchanged"
    )
    crossed = hinged(condyle_left=(-80.0, -50.0, 30.0), condyle_right=(-80.0, 50.0, 30.0))
    assert "the left condyle" in refusal(anchored(crossed), "sides_contradict").message


def test_a_rod_near_the_upright_is_refused():
    # 18 mm high and 5 mm long at the bite: at 100 %, 2.2 mm further, 2.8 mm are left of the 5.
    steep = {
        "left": Anchors(upper=(-19.0, 24.0, 20.0), lower=(-24.0, 24.0, 2.0)),
        "right": Anchors(upper=(-10.0, -24.0, 20.0), lower=(-24.0, -24.0, 2.0)),
    }
    graded = anchored(sliding(0.0), grading=percents(50, 100, start=50), **steep)
    finding = refusal(graded, "rod_stands_upright")
    assert finding.where == "100 % left"
    assert (
        "the left rod at 100 % is nearly upright to the path or has passed it: it changes by "
        "-0.15 mm for 1 mm forward, where a pull rod must change by -0.2 mm or more"
    ) in finding.message


def test_rods_that_cannot_be_read_are_not_chosen():
    # The nearest left rod of 95 %, 16.0 mm, stands upright before the jaw is there.
    short = Anchors(upper=(-12.0, 24.0, 18.04), lower=(-24.0, 24.0, 2.0))
    prescription = anchored(
        sliding(0.0), left=short, grading=percents(70, 80, 95, 100, start=70),
        bite=Bite(Zero.RETRUDED, *decimals(16, 3, -4)),
    )
    graded = grade(prescription, LIMITS)
    assert [step.percent for step in graded.steps] == [70, 80, 95, 100]
    assert graded.steps[2].left.exact_mm == pytest.approx(16.04, abs=0.005)
    assert graded.steps[2].left.label == "16.1"
    assert "rod_stands_upright" in {finding.code for finding in graded.refused}


def test_a_step_without_a_rod_inside_the_range_names_itself_and_the_others_stay():
    # With pins 33.5 mm apart at 0.1 mm, the whole millimetres 33 and 34 stand at 0.6 and -0.4 mm,
    # and the whole range is 0.5 mm.
    narrow = plain(
        bite=Bite(Zero.RETRUDED, *decimals("0.5", "0.1", 0)), left=Anchors(33.5),
        right=Anchors(33.5), grading=percents(20, 60, grid_mm=D(1)),
    )
    graded = grade(narrow, LIMITS)
    unmade = [f for f in graded.refused if f.code == "jaw_pose"]
    assert [f.where for f in unmade] == ["20 %", "60 %"]
    assert unmade[0].message == (
        "the step 20 % cannot be made: no pair of rods on the length grid of 1 mm holds the jaw "
        "between 0 % and 100 % near it; give a finer length grid"
    )
    assert graded.steps == ()


def test_a_jaw_that_cannot_go_there_names_its_step():
    far = Bite(Zero.RETRUDED, *decimals(900, 3, -4))
    grading = Grading(GradingUnit.ADVANCEMENT, decimals(7, 12, 800), start=D(7))
    finding = refusal(anchored(hinged(), bite=far, grading=grading), "jaw_pose")
    assert finding.message.startswith(
        "the step 88.5 % cannot be computed: the jaw reaches no pose that meets the conditions"
    )


def test_a_grid_and_a_tolerance_must_make_sense():
    graded = found(plain(grading=percents(50, 100, grid_mm=D(0), tolerance_mm=D("-0.1"))))
    assert "cannot be rounded to a grid of 0 mm" in graded["grid_not_positive"].message
    assert "a tolerance of ±-0.1 mm has no meaning" in graded["tolerance_negative"].message


def test_several_refusals_come_at_once():
    prescription = plain(
        left=Anchors(), right=Anchors(), grading=percents(50, 120, start=55),
    )
    graded = grade(prescription, LIMITS)
    assert [f.code for f in graded.refused] == [
        "side_without_length", "side_without_length", "start_not_a_step", "percent_above_100",
    ]
    assert graded.steps == ()
    lost = grade(
        plain(bite=Bite(Zero.HABITUAL, *decimals(6, 9, -4)), left=Anchors()), LIMITS
    )
    assert [f.code for f in lost.refused] == [
        "zero_not_recorded", "registered_outside", "side_without_length",
    ]
    assert lost.range_mm is None
