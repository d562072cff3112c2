"""Extra rods: every way of asking, what may not be made beside the rods out, the series."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from labkit.core.case.extra_requests import Between, ByAdvancement, ByLength, ByPercent
from labkit.core.case.extra_rods import extra_rods
from labkit.core.case.rods_out import RodOut
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, Anchors, Bite, JawModelName, Side, Zero
from labkit.core.jsonable import jsonable
from labkit.core.rod.parts import parts_of
from labkit.errors import InputError
from labkit.units import to_grid
from tests.support import independent
from tests.support.patients import (
    LIMITS,
    WIDE_LIMITS,
    anchored,
    decimals,
    hinged,
    percents,
    plain,
    random_prescription,
    sliding,
)
from tests.support.rods import templates
from tests.support.trials import as_made

D = Decimal
CASES = [(model, action) for model in JawModelName for action in Action]


def rods_of_set(prescription, limits=LIMITS):
    return tuple(
        RodOut(f"1/{number}", side, step.rod(side).label)
        for number, step in enumerate(grade(prescription, limits).steps, 1) for side in Side
    )


def ordered(*requests, prescription=None, rods=None, limits=LIMITS):
    prescription = prescription or plain()
    rods = rods_of_set(prescription, limits) if rods is None else rods
    return extra_rods(prescription, as_made(rods, prescription, limits), requests, limits)


def steps(*requests, **given):
    found = ordered(*requests, **given)
    assert found.refused == ()
    return found.spacer_set.steps


def refusal(code, *requests, **given):
    finding = next(f for f in ordered(*requests, **given).refused if f.code == code)
    return finding.message


def labels(found):
    return [(step.left.label, step.right.label) for step in found]


# The plain set: 9.2 mm, bite at 7 mm, pins 33.6, pull, so a rod is 40.6 mm minus the advancement:
# 50 … 100 % are 36.0 35.08 34.16 33.24 32.32 31.4 mm, made 36.0 35.1 34.2 33.2 32.3 31.4.


def test_by_percent_by_advancement_and_by_length():
    assert labels(steps(ByPercent(D(55)))) == [("35.5", "35.5")]
    assert labels(steps(ByAdvancement(D("7.8")))) == [("32.8", "32.8")]
    for request in (ByLength(D("33.7")), ByLength(D("33.7"), Side.RIGHT)):
        (step,) = steps(request)
        assert labels([step]) == [("33.7", "33.7")]
        assert (step.percent, step.advancement_mm) == (pytest.approx(75), pytest.approx(6.9))
        assert not step.start


def test_several_at_once_come_by_rising_percent():
    found = steps(ByLength(D("33.7")), ByPercent(D("64.75")), ByAdvancement(D("5.06")))
    assert labels(found) == [("35.5", "35.5"), ("34.6", "34.6"), ("33.7", "33.7")]
    assert [step.percent for step in found] == pytest.approx([55, 64.75, 75])


def test_between_two_percentages_evenly_in_advancement():
    wide = plain(grading=percents(50, "62.5", 75, "87.5", 100))
    found = steps(Between(D("62.5"), D(75), 2), prescription=wide)
    assert [step.advancement_mm for step in found] == pytest.approx(
        [5.75 + 1.15 / 3, 6.9 - 1.15 / 3]
    )
    assert [step.name for step in found] == ["66.7 %", "70.8 %"]
    (middle,) = steps(Between(D(80), D(90), 1))
    assert middle.percent == 85


def test_the_series_has_old_and_new_by_rising_advancement():
    found = ordered(ByPercent(D(65)), ByPercent(D(85)))
    rows = [(row.new, row.pair, row.left) for row in found.series]
    assert rows == [
        (False, "1/1", "36.0"), (False, "1/2", "35.1"), (True, "1", "34.6"),
        (False, "1/3", "34.2"), (False, "1/4", "33.2"), (True, "2", "32.8"),
        (False, "1/5", "32.3"), (False, "1/6", "31.4"),
    ]
    assert [row.percent for row in found.series] == pytest.approx(
        [100 * a / 9.2 for a in (4.6, 5.5, 6.0, 6.4, 7.4, 7.8, 8.3, 9.2)]
    )
    assert len(found.spacer_set.steps) == 2
    assert found.spacer_set.range_mm == 9.2


def test_new_steps_are_those_of_grading():
    # The same step within a set of its own: one mechanism, the same numbers.
    for prescription in (plain(), anchored(sliding()), anchored(hinged())):
        (step,) = steps(ByPercent(D(65)), prescription=prescription)
        alone = grade(replace(prescription, grading=percents(65)), LIMITS).steps[0]
        assert step == alone


def test_extra_rods_serve_a_set_whose_grading_has_become_unusable():
    # Steps in mm beyond a range that a trial fit has shortened do not stop an order.
    grading = replace(percents(50, 120), start=D(120))
    given = plain(grading=grading)
    assert labels(steps(ByPercent(D(80)), prescription=given, rods=())) == [("33.2", "33.2")]


def test_a_length_of_one_side_brings_the_other_of_the_same_advancement():
    uneven = plain(left=Anchors(33.6), right=Anchors(35.42))
    (step,) = steps(ByLength(D("33.7"), Side.LEFT), prescription=uneven)
    assert labels([step]) == [("33.7", "35.5")]
    (step,) = steps(ByLength(D("35.5"), Side.RIGHT), prescription=uneven)
    assert step.right.exact_mm == pytest.approx(35.5, abs=1e-9)
    assert labels([step]) == [("33.7", "35.5")]
    assert refusal("sides_differ", ByLength(D("33.7")), prescription=uneven) == (
        "with a left rod of 33.7 mm the right one is 35.5 mm long, because the sides of this case "
        "differ; name the side whose rod is asked for, and the other side gets the rod of the same "
        "advancement"
    )


@pytest.mark.parametrize(("model", "action"), CASES)
def test_a_length_asked_for_is_the_length_made(model, action):
    rng = np.random.default_rng([20310501, CASES.index((model, action))])
    met = 0
    for _ in range(40):
        prescription = random_prescription(rng, model, action)
        prescription = replace(prescription, grading=percents(30, 90))
        graded = grade(prescription, WIDE_LIMITS)
        if graded.refused:
            continue
        side = Side.LEFT if rng.random() < 0.5 else Side.RIGHT
        ends = [step.rod(side).exact_mm for step in graded.steps]
        wanted = to_grid(ends[0] + rng.uniform(0.2, 0.8) * (ends[1] - ends[0]), D("0.1"))
        found = ordered(
            ByLength(wanted, side), prescription=prescription, rods=(), limits=WIDE_LIMITS
        )
        (step,) = found.spacer_set.steps
        assert step.rod(side).length == wanted
        exact = independent.exact_lengths(prescription, step.displacement_mm)
        assert exact[list(Side).index(side)] == pytest.approx(float(wanted), abs=2e-8)
        met += 1
    assert met >= 30


def test_no_length_may_be_ordered_that_holds_the_jaw_beyond_100_percent():
    # 100 % is 31.37 mm exactly, its rod 31.4 at 9.17 of 9.2 mm.
    given = plain(left=Anchors(33.57), right=Anchors(33.57))
    (step,) = steps(ByLength(D("31.4")), prescription=given, rods=())
    assert step.percent == pytest.approx(917 / 9.2)
    # For 31.44 mm the rod 31.4 would stand at 9.24 mm, 100.4 %: the one of 100 % is 31.5.
    given = plain(left=Anchors(33.64), right=Anchors(33.64))
    assert refusal("percent_above_100", ByLength(D("31.4")), prescription=given, rods=()) == (
        "a left rod of 31.4 mm would hold the jaw at 100.4 %, outside the recorded range; the left "
        "rod of 100 % is 31.5 mm long, so give a length up to that one"
    )
    (step,) = steps(ByLength(D("31.5")), prescription=given, rods=())
    assert step.made.percent == pytest.approx(914 / 9.2)


def test_reserved_and_existing_rods_are_refused():
    assert refusal("rod_exists", ByPercent(D(70))) == (
        "the left rod 34.2 asked for at 70 % is in circulation already, in 1/3 (69.6 %, "
        "34.2/34.2); use it, or ask for another step"
    )
    assert [f.where for f in ordered(ByPercent(D(70))).refused] == ["70 % left", "70 % right"]
    reserved = (RodOut("2/1", Side.RIGHT, "34.6", made=False),)
    assert refusal("rod_exists", ByPercent(D(65)), rods=reserved) == (
        "the right rod 34.6 asked for at 65 % is being made already, in 2/1 (65.2 %, "
        "none/34.6); use it, or ask for another step"
    )


def test_a_label_of_the_other_side_is_no_obstacle():
    other = (RodOut("2/1", Side.RIGHT, "34.6"),)
    found = ordered(ByPercent(D(65)), rods=other, prescription=plain(right=Anchors(35.6)))
    assert found.refused == ()


def test_a_label_too_near_for_the_tolerances():
    # ±0.15 above 30 mm: 0.3 mm apart is too near, 0.4 mm is not.
    assert refusal("label_too_near", ByPercent(D(66))) == (
        "the left rod 34.5 asked for at 66 % and the existing 34.2 in 1/3 (69.6 %, 34.2/34.2) "
        "differ by only 0.3 mm, and with their tolerances of ±0.15 and ±0.15 mm one could measure "
        "as the other; use the existing rod or choose a step further away"
    )
    assert labels(steps(ByPercent(D(65)))) == [("34.6", "34.6")]
    # ±0.1 up to 30 mm and ±0.15 above: 29.9 and 30.1 are 0.2 apart, 29.8 and 30.1 are 0.3.
    rods = (RodOut("1/1", Side.LEFT, "30.1"),)
    given = plain(left=Anchors(32.0), right=Anchors(32.0))
    assert refusal("label_too_near", ByLength(D("29.9")), prescription=given, rods=rods)
    assert labels(steps(ByLength(D("29.8")), prescription=given, rods=rods)) == [("29.8", "29.8")]


def test_a_stated_tolerance_counts():
    tight = plain(grading=replace(plain().grading, tolerance_mm=D("0.04")))
    assert labels(steps(ByPercent(D(69)), prescription=tight)) == [("34.3", "34.3")]
    exact = plain(grading=replace(plain().grading, tolerance_mm=D(0)))
    assert refusal("rod_exists", ByPercent(D(70)), prescription=exact)


def test_the_tolerance_that_a_rod_was_made_with_counts():
    """A rod made to ±0.3 when the prescription said so is as wide now that it says ±0.04."""
    tight = plain(grading=replace(plain().grading, tolerance_mm=D("0.04")))
    wide = plain(grading=replace(plain().grading, tolerance_mm=D("0.3")))
    old = as_made((RodOut("1/1", Side.LEFT, "34.2"),), wide, LIMITS)
    (found,) = extra_rods(tight, old, (ByPercent(D(66)),), LIMITS).refused
    assert "their tolerances of ±0.04 and ±0.3 mm one could measure as the other" in found.message


def test_the_nearest_rod_is_named():
    fine = plain(
        grading=replace(percents(50), grid_mm=D("0.01")), left=Anchors(30.0), right=Anchors(30.0)
    )
    rods = (RodOut("a", Side.LEFT, "30.01"), RodOut("b", Side.LEFT, "30.00"))
    found = ordered(ByLength(D("30.00")), prescription=fine, rods=rods)
    assert [finding.code for finding in found.refused] == ["rod_exists"]


def test_new_rods_among_themselves():
    assert "would bear the same label" in refusal(
        "labels_repeat", ByPercent(D(65)), ByAdvancement(D(6)), rods=()
    )
    assert refusal("step_repeated", ByPercent(D(65)), ByPercent(D("65.0")), rods=())
    assert refusal("tolerance_too_wide", ByPercent(D(64)), ByPercent(D(66)), rods=())


def test_outside_the_range_and_outside_the_template():
    assert refusal("percent_above_100", ByPercent(D(101)))
    assert refusal("percent_below_0", ByPercent(D(-1)))
    assert refusal("percent_above_100", ByAdvancement(D("9.21")))
    assert refusal("percent_above_100", ByLength(D("30.9"))) == (
        "a left rod of 30.9 mm would hold the jaw at 105.4 %, outside the recorded range; the left "
        "rod of 100 % is 31.4 mm long, so give a length up to that one"
    )
    assert "would hold the jaw at -5.4 %" in refusal("percent_below_0", ByLength(D("41.1")))
    short = plain(left=Anchors(17.8), right=Anchors(17.8))
    assert "takes 16 to 60 mm" in refusal(
        "length_outside_limits", ByPercent(D(98)), prescription=short, rods=()
    )


def test_a_length_off_the_grid_or_off_the_path():
    assert refusal("length_off_grid", ByLength(D("34.15"))) == (
        "a rod of 34.15 mm does not lie on the length grid of 0.1 mm; the nearest lengths are 34.1 "
        "and 34.2"
    )
    assert "no point of the recorded path gives a left rod of 5.0 mm" in refusal(
        "length_not_on_path", ByLength(D(5), Side.LEFT), prescription=anchored(sliding())
    )


def test_upright_rods_are_refused_as_in_grading():
    upright = {
        "left": Anchors(upper=(-20.0, 24.0, 20.0), lower=(-24.0, 24.0, -6.0)),
        "right": Anchors(upper=(-20.0, -24.0, 20.0), lower=(-24.0, -24.0, -6.0)),
    }
    given = anchored(sliding(0.0), **upright)
    assert "upright" in refusal("rod_stands_upright", ByPercent(D(70)), prescription=given, rods=())


def test_a_pair_out_that_cannot_be_read_stops_the_order():
    lost = (RodOut("9", Side.LEFT, "5.0"), RodOut("9", Side.RIGHT, "5.0"))
    message = refusal("jaw_pose", ByPercent(D(65)), prescription=anchored(sliding()), rods=lost)
    assert message.startswith("the rods 5.0 and 5.0 of the pair 9 cannot be read back")
    alone = refusal("jaw_pose", ByPercent(D(65)), prescription=anchored(sliding()), rods=lost[:1])
    assert "5.0 (left alone)" in alone


def test_nothing_asked_for_and_a_record_that_is_refused():
    assert refusal("no_request") == "no rod was asked for; name at least one"
    wrong = plain(bite=Bite(Zero.RETRUDED, *decimals("5.2", 9, -4)))
    found = extra_rods(wrong, (), (ByPercent(D(50)),), LIMITS)
    assert [f.code for f in found.refused] == ["registered_outside"]
    assert refusal("too_many_steps", Between(D(0), D(100), 60), ByLength(D("34.1")), rods=())


@pytest.mark.parametrize(
    ("low", "high", "count", "sentence"),
    [(75, 60, 2, "smaller percentage first"), (60, 60, 1, "smaller percentage first"),
     (60, 70, 0, "count from 1 to 60"), (60, 70, 61, "count from 1 to 60")],
)
def test_between_needs_ends_and_a_count(low, high, count, sentence):
    with pytest.raises(InputError, match=sentence):
        Between(D(low), D(high), count)


def test_notes_are_those_that_the_new_rods_bring():
    assert ordered(ByPercent(D(55))).spacer_set.findings == ()
    uneven = plain(right=Anchors(35.6))
    codes = [f.code for f in ordered(ByPercent(D(55)), prescription=uneven).spacer_set.findings]
    assert codes == ["sides_apart"]
    # 18.61 turned upside down reads 19.81, which is out; 16.98 and 16.89 are not new.
    fine = plain(
        grading=replace(percents(50), grid_mm=D("0.01")), left=Anchors(20.0), right=Anchors(20.0)
    )
    old = tuple(
        RodOut(f"1/{label}", side, label) for label in ("19.81", "16.98", "16.89") for side in Side
    )
    found = ordered(ByLength(D("18.61")), prescription=fine, rods=old)
    said = [(f.code, f.where) for f in found.spacer_set.findings]
    assert said == [("label_turns_into_another", "18.61")]


def test_the_new_steps_become_parts_and_plain_json():
    found = ordered(ByPercent(D(65)))
    parts = parts_of(found.spacer_set, templates()["eye-eye-flat"])
    assert [(part.rod.label, part.quantity) for part in parts] == [("34.6", 2)]
    content = jsonable(found)
    assert json.loads(json.dumps(content, allow_nan=False)) == content
    assert [row["new"] for row in content["series"]].count(True) == 1
