"""Every note of DEVELOPERS.md, The design, Grading, with its sentence."""

from __future__ import annotations

from decimal import Decimal

import pytest

from labkit.core.grading.grade import LengthLimits, grade
from labkit.core.grading.notes import LEAST_SPAN_MM, WIDEST_STEP_MM
from labkit.core.grading.prescription import (
    Anchors,
    Grading,
    GradingUnit,
)
from tests.support.findings import found, noted
from tests.support.patients import (
    LIMITS,
    anchored,
    decimals,
    hinged,
    percents,
    plain,
)

D = Decimal

# AADSM consensus on an effective oral appliance, J Dent Sleep Med 1(1), doi 10.15331/jdsm.3738,
# updated 2019, doi 10.15331/jdsm.7090 (wording from memory): advances in increments of 1 mm or
# less over a protrusive range of at least 5 mm.


def test_the_professional_definition_is_the_one_cited():
    assert (WIDEST_STEP_MM, LEAST_SPAN_MM) == (1.0, 5.0)


def test_steps_over_1_mm_are_noted():
    finding = noted(plain(grading=percents(50, 60, 72, 100, start=50)), "wide_steps")
    assert finding.message == (
        "2 of 3 increments are over 1 mm of advancement, the widest 2.58 mm, from 72 % to 100 %"
    )
    assert finding.where == "60 % to 72 %, 72 % to 100 %"


def test_steps_of_1_mm_in_binary_are_not_noted():
    grading = Grading(GradingUnit.ADVANCEMENT, first=D("0.1"), last=D("9.1"), step=D(1))
    assert "wide_steps" not in found(plain(grading=grading))


def test_a_set_that_spans_under_5_mm_is_noted():
    finding = noted(plain(grading=percents(50, 60, 70, start=50)), "short_span")
    assert finding.message.startswith("the set spans 1.84 mm of advancement")
    assert finding.where == "50 % to 70 %"
    just_5_mm = Grading(GradingUnit.ADVANCEMENT, first=D("4.2"), last=D("9.2"), step=D(1))
    assert "short_span" not in found(plain(grading=just_5_mm))


def test_sides_more_than_half_a_millimetre_apart_are_noted():
    finding = noted(plain(left=Anchors(34.2)), "sides_apart")
    assert finding.message.startswith(
        "the left and right rods differ by more than 0.5 mm at 6 of 6 steps, most at 50 % (36.6 "
        "and 36.0, 0.6 mm)"
    )
    assert "sides_apart" not in found(plain(left=Anchors(34.1)))


def test_a_label_that_turns_into_another_rod_is_noted():
    limits = LengthLimits(D(5), D(60), "f", "short")
    side = Anchors(9.8)
    grading = Grading(GradingUnit.ADVANCEMENT, decimals(7, "8.2"), start=D(7))
    finding = noted(plain(left=side, right=side, grading=grading), "label_turns_into_another",
                    limits)
    assert finding.message == (
        "the label 9.8 turned upside down reads 8.6, which is another rod of this set; it gets a "
        "bar under it, so read rods with the bar below"
    )


def test_a_label_that_turns_into_a_plausible_length_is_noted():
    # On a grid of 0.05 mm, 16.95 does not turn, but 18.60 turns into 09.81 and 19.90 into 06.61:
    # none is a length. On a grid of 0.01 mm 18.96 turns into 96.81, and 61.86 into 98.19.
    limits = LengthLimits(D(16), D(110), "f", "long")
    prescription = plain(
        left=Anchors(18.96), right=Anchors(18.96),
        grading=Grading(GradingUnit.ADVANCEMENT, decimals(7), grid_mm=D("0.01")),
    )
    finding = noted(prescription, "label_turns_into_a_length", limits)
    assert "the label 18.96 turned upside down reads 96.81, which is a length" in finding.message
    assert "label_turns_into_a_length" not in found(prescription)


@pytest.mark.parametrize("length", [16.9, 18.81, 60.0, 34.0])
def test_labels_that_turn_into_no_length_are_not_noted(length):
    limits = LengthLimits(D("0.6"), D(120), "f", "any")
    side = Anchors(length)
    grid = D("0.1") if length != 18.81 else D("0.01")
    grading = Grading(GradingUnit.ADVANCEMENT, decimals(7), grid_mm=grid)
    codes = found(plain(left=side, right=side, grading=grading), limits)
    assert not [code for code in codes if code.startswith("label_turns")]


def test_average_values_are_noted():
    jaw = hinged(assumed=("condyle_left", "condyle_right"))
    finding = noted(anchored(jaw), "average_values")
    assert "were used, not this patient's, for: condyle_left, condyle_right" in finding.message
    assert grade(anchored(jaw), LIMITS).assumed == ("condyle_left", "condyle_right")


def test_a_missing_start_is_noted():
    finding = noted(plain(grading=percents(50, 60, 70, 80, 90, 100)), "no_start")
    assert "names no starting step; the prescriber decides it" in finding.message
