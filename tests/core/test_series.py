"""Steps listed, in a series, in percent or in mm of advancement."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.grading.bite import BiteScale
from labkit.core.grading.prescription import Grading, GradingUnit
from labkit.core.grading.series import asked_steps
from tests.support.patients import decimals, percents

D = Decimal
#: 11.6 mm of range, as in the smallest prescription of the README.
SCALE = BiteScale(D("-5.2"), D("6.4"), D("2.9"))
PERCENT = Grading(GradingUnit.PERCENT, first=D(50), last=D(100), step=D(10))
ADVANCEMENT = Grading(GradingUnit.ADVANCEMENT, first=D("5.6"), last=D("11.6"), step=D(1))


def names(grading):
    steps, findings = asked_steps(grading, SCALE)
    assert findings == ()
    return [step.name for step in steps]


def only_refusal(grading):
    _, (finding,) = asked_steps(grading, SCALE)
    assert finding.severity == "refused"
    return finding


def test_listed_steps_come_in_rising_order():
    assert names(percents(100, "62.5", 75)) == ["62.5 %", "75 %", "100 %"]


def test_a_series_with_a_step():
    assert names(PERCENT) == ["50 %", "60 %", "70 %", "80 %", "90 %", "100 %"]


def test_a_series_with_a_number_of_steps():
    steps, _ = asked_steps(replace(PERCENT, step=None, steps=4), SCALE)
    assert [step.name for step in steps] == ["50 %", "66.7 %", "83.3 %", "100 %"]
    assert steps[-1].advancement_mm == D("11.6")


def test_a_series_in_mm():
    steps, findings = asked_steps(ADVANCEMENT, SCALE)
    assert findings == ()
    assert [step.advancement_mm for step in steps] == [D("5.6") + n for n in range(7)]
    assert steps[-1].percent == 100


def test_one_step_alone():
    assert names(replace(PERCENT, last=D(50), step=None, steps=1)) == ["50 %"]
    assert names(replace(PERCENT, last=D(50))) == ["50 %"]


def test_the_start_is_found_in_the_unit_of_the_grading():
    steps, _ = asked_steps(replace(ADVANCEMENT, start=D("7.60000000001")), SCALE)
    assert [step.start for step in steps] == [False, False, True, False, False, False, False]


@given(st.integers(1, 60), st.decimals(0, 40, places=1), st.decimals("0.1", 1, places=2))
def test_a_step_and_a_number_of_steps_say_the_same(count, first, step):
    last = first + step * (count - 1)
    by_step = Grading(GradingUnit.PERCENT, first=first, last=last, step=step)
    by_count = Grading(GradingUnit.PERCENT, first=first, last=last, steps=count)
    (ours, refused), (theirs, others) = asked_steps(by_step, SCALE), asked_steps(by_count, SCALE)
    assert refused == others == ()
    assert len(ours) == len(theirs) == count
    for one, other in zip(ours, theirs, strict=True):
        assert one.percent == pytest.approx(other.percent, abs=D("1e-20"))


@pytest.mark.parametrize(
    ("grading", "code", "sentence"),
    [
        (
            replace(PERCENT, step=D(15)), "series_misses_last",
            "steps of 15 % from 50 % do not reach 100 %; the nearest last value that works is "
            "95 %, or change the step",
        ),
        (
            replace(PERCENT, step=D(30)), "series_misses_last",
            "the nearest last value that works is 110 %",
        ),
        (
            replace(PERCENT, step=D("33.333333")), "series_misses_last",
            "the nearest last value that works is 116.666666 %",
        ),
        (
            replace(ADVANCEMENT, step=D("0.7")), "series_misses_last",
            "steps of 0.7 mm from 5.6 mm do not reach 11.6 mm; the nearest last value that works "
            "is 11.9 mm",
        ),
        (
            replace(PERCENT, step=D(0)), "step_not_positive",
            "a step of 0 % leads nowhere; give a step above 0",
        ),
        (
            replace(PERCENT, first=D(100), last=D(50)), "series_ends",
            "the series runs from 100 % down to 50 %; give the smaller value first",
        ),
        (
            replace(PERCENT, step=D("0.5")), "too_many_steps",
            "the grading asks for 101 steps; a set has at most 60",
        ),
        (replace(PERCENT, step=None, steps=61), "too_many_steps", "asks for 61 steps"),
        (
            replace(PERCENT, step=None, steps=1), "steps_count",
            "1 steps cannot run evenly from 50 to 100; give at least 2 steps",
        ),
        (
            replace(PERCENT, last=D(50), step=None, steps=3), "steps_count",
            "3 steps cannot run evenly from 50 to 50",
        ),
        (replace(PERCENT, step=None, steps=0), "steps_count", "0 steps cannot run evenly"),
        (replace(PERCENT, step=None), "no_steps", "the grading asks for no step; list the values"),
        (Grading(GradingUnit.PERCENT), "no_steps", "the grading asks for no step"),
        (
            Grading(GradingUnit.PERCENT, tuple(D(n) for n in range(61))), "too_many_steps",
            "the grading asks for 61 steps",
        ),
        (
            percents(50, 60, "60.0"), "step_repeated",
            "the step 60 % is listed more than once; list each step once",
        ),
        (
            percents(50, 60, start=55), "start_not_a_step",
            "the start of 55 % is not one of the steps; the nearest step is 50 %, so start there "
            "or add the step",
        ),
        (
            percents(50, 60, start_step=3), "start_step_beyond",
            "the starting step is to be step 3, but the set has 2 steps; give a number from 1 to 2",
        ),
        (
            percents("33.31", "33.34", start="33.3"), "start_not_a_step",
            "the start of 33.3 % is not one of the steps",
        ),
        (
            percents("62.5", start="62"), "start_not_a_step",
            "the start of 62 % is not one of the steps",
        ),
        (
            percents(50, "100.1"), "percent_above_100",
            "the step 100.1 % is more than the jaw was recorded to move forward (100 % is "
            "11.60 mm); give at most 100 %",
        ),
        (
            replace(ADVANCEMENT, last=D("12.6")), "percent_above_100",
            "the step 12.6 mm of advancement (108.6 %) is more than the jaw",
        ),
        (
            percents(-1, 50), "percent_below_0",
            "the step -1 % lies behind the zero reading; give a step from 0 % to 100 %",
        ),
    ],
)
def test_refusals(grading, code, sentence):
    finding = only_refusal(grading)
    assert finding.code == code
    assert sentence in finding.message


def test_steps_inside_are_kept_beside_those_refused():
    steps, findings = asked_steps(percents(-10, 0, 50, 100, 120, 130), SCALE)
    assert [step.name for step in steps] == ["0 %", "50 %", "100 %"]
    assert [f.where for f in findings] == ["-10 %", "120 %", "130 %"]
    assert len({f.code for f in findings}) == 2


@pytest.mark.parametrize(("last", "codes"), [(59, []), (60, ["too_many_steps"])])
def test_sixty_steps_are_the_most(last, codes):
    series = Grading(GradingUnit.PERCENT, first=D(0), last=D(last), step=D(1))
    steps, findings = asked_steps(series, SCALE)
    assert [finding.code for finding in findings] == codes
    assert len(steps) == (0 if codes else 60)


def test_a_series_that_reaches_its_last_but_for_noise_ends_on_it():
    third = D(100) / 3
    steps, findings = asked_steps(
        Grading(GradingUnit.PERCENT, first=D(0), last=D(100), step=third), SCALE
    )
    assert findings == ()
    assert steps[-1].percent == 100
    assert decimals(0)[0] == steps[0].percent


@pytest.mark.parametrize(
    "told", [{"start": D("57.1429")}, {"start": D("57.1")}, {"start": D(400) / 7},
             {"start_step": 2}],
)
def test_a_start_is_told_as_printed_or_by_its_number(told):
    series = Grading(GradingUnit.PERCENT, first=D(50), last=D(100), steps=8, **told)
    steps, findings = asked_steps(series, SCALE)
    assert findings == ()
    assert [number for number, step in enumerate(steps, 1) if step.start] == [2]


def test_the_first_step_by_number_is_that_of_the_least_advancement():
    steps, _ = asked_steps(percents(100, 80, 60, start_step=1), SCALE)
    assert (steps[0].name, steps[0].start) == ("60 %", True)
