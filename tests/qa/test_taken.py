"""Whether readings were taken: honest sets are left alone, invented ones are named."""

from __future__ import annotations

import dataclasses
import random
from decimal import Decimal
from math import sqrt

import numpy as np
import pytest

from labkit.catalog.instruments import instruments
from labkit.catalog.rods import rod_templates
from labkit.core.gauging.ways_of_measuring import Method, ways_of
from labkit.qa.decision.readings import RodReadings
from labkit.qa.decision.rod_decision import judge_rod
from labkit.qa.decision.taken import Scatter, contradicts, doubts, scatter_of
from tests.support.measured_sets import budget, places

WAYS = {way.method: way for way in ways_of(rod_templates()["eye-eye-flat"])}
CALLIPER, MICROMETER = (instruments()[f"example-{name}"] for name in ("calliper", "micrometer"))


def read(dice, tool, true_mm, n=3):
    step = Decimal(repr(tool.resolution_mm))
    shown = (round(dice.gauss(true_mm, tool.repeatability_mm) / float(step)) for _ in range(n))
    return tuple(step * each for each in shown)


def a_set(tool, seed=1, change=None, n=3, spread=0.0, right=0.0):
    """An honest set, rods truly as made but for a spread, and what was made of its readings."""
    dice, way = random.Random(seed), WAYS[Method.OVER]
    found = {}
    for place in places(5, right=right):
        true = float(place.length_mm + way.shift_mm) + 0.0137 + dice.gauss(0, spread)
        found[place.step, place.side] = place, read(dice, tool, true, n)
    for key, readings in (change(found) if change else {}).items():
        found[key] = found[key][0], readings
    return [
        judge_rod(
            place, RodReadings(place.identifier, Method.OVER, readings, instrument=tool), way,
            (float(sum(readings) / len(readings) - way.shift_mm), budget(0.01)), 0.01,
        )
        for place, readings in found.values()
    ]


def codes(rods):
    return [doubt.code for doubt in doubts(rods)]


def copied(count):
    def change(found):
        return {(step, "right"): found[step, "left"][1] for step in range(1, count + 1)}

    return change


def one_written_three_times(found):
    return {key: (readings[0],) * 3 for key, (_, readings) in found.items()}


def the_first_triplet_moved(found):
    place, readings = found[1, "left"]
    return {
        key: tuple(one + other.length_mm - place.length_mm for one in readings)
        for key, (other, _) in found.items()
    }


def test_a_column_copied_from_the_other_side():
    found = doubts(a_set(CALLIPER, change=copied(5)))
    assert [doubt.code for doubt in found] == ["copied_side"]
    assert found[0].sentence == (
        "left and right have the same readings in the same order at steps 1, 2, 3, 4, 5, which "
        "chance gives in fewer than 1 of 1,000 sets: was one side copied from the other"
    )
    assert len(found[0].identifiers) == 10
    assert codes(a_set(MICROMETER, change=copied(2))) == ["copied_side"]
    # An honest calliper gives equal triplets at one step in three sets of a hundred.
    assert codes(a_set(CALLIPER, change=copied(1))) == []


@pytest.mark.parametrize(("turn", "order"), [(1, "the same"), (-1, "reversed")])
def test_a_column_copied_with_the_difference_of_the_labels(turn, order):
    """The right rods are 0.2 mm longer, and each has the left one's readings and 0.2 mm."""
    def moved(found):
        return {
            (step, "right"): tuple(one + Decimal("0.2") for one in found[step, "left"][1][::turn])
            for step in (1, 2, 3, 4)
        }

    (doubt,) = doubts(a_set(CALLIPER, change=moved, right=0.2))
    assert doubt.code == "copied_side"
    assert (
        f"the same readings in {order} order at steps 1, 2, 3, 4, each against its own length"
    ) in doubt.sentence
    assert len(doubt.identifiers) == 8


def test_the_same_triplet_on_rods_of_several_lengths():
    assert codes(a_set(MICROMETER, change=the_first_triplet_moved)) == ["copied_side"]  # all rods

    def three(found):
        moved = the_first_triplet_moved(found)
        return {key: moved[key] for key in ((2, "left"), (3, "right"))}

    (doubt,) = doubts(a_set(MICROMETER, change=three))
    assert (doubt.code, len(doubt.identifiers)) == ("same_readings", 3)
    assert "were they taken on each rod" in doubt.sentence


def test_one_reading_written_three_times():
    assert "small_scatter" in codes(a_set(CALLIPER, change=one_written_three_times))
    assert "small_scatter" in codes(a_set(MICROMETER, change=one_written_three_times))

    def half(found):
        all_of_them = one_written_three_times(found)
        return {key: all_of_them[key] for key in list(all_of_them)[:6]}

    (doubt,) = doubts(a_set(MICROMETER, seed=4, change=half))
    assert doubt.code == "small_scatter"
    assert "was each rod taken out and put back" in doubt.sentence


def false_alarms(tool, sets, **kinds):
    return sum(bool(doubts(a_set(tool, seed, **kinds))) for seed in range(sets))


@pytest.mark.parametrize("tool", [CALLIPER, MICROMETER], ids=["calliper", "micrometer"])
def test_honest_sets_are_left_alone(tool):
    assert false_alarms(tool, 60) == 0
    assert false_alarms(tool, 20, n=1) == 0
    assert false_alarms(tool, 20, right=0.2) == 0


@pytest.mark.slow
@pytest.mark.parametrize("n", [1, 2, 3, 5])
@pytest.mark.parametrize("tool", [CALLIPER, MICROMETER], ids=["calliper", "micrometer"])
def test_honest_sets_are_held_once_in_a_thousand(tool, n):
    """All kinds of doubt together; rods of one true error, the worst."""
    held = false_alarms(tool, 2000, n=n) + false_alarms(tool, 2000, n=n, right=0.2)
    assert held <= 10  # 4, and three standard deviations more


def test_chances_by_simulation():
    """Three equal readings of one rod; a range of at most one step; the worst phase counts."""
    dice = np.random.default_rng(3)
    scatter = Scatter(0.01, 0.01)
    shown = np.round(dice.normal(0.0, 1.0, (200_000, 3)))
    width = shown.max(axis=1) - shown.min(axis=1)
    assert scatter.within(0, 3) == pytest.approx((width == 0).mean(), abs=0.003)
    assert scatter.within(1, 3) >= (width <= 1).mean() - 0.003
    assert scatter.within(30, 3) == pytest.approx(1)
    assert scatter.within(0, 1) == 1
    pairs = (np.round(dice.normal(0, 1, (200_000, 3))) == shown).all(axis=1)
    assert scatter.alike(2, 3) == pytest.approx(pairs.mean(), abs=0.002)
    # As the trade sees it: three equal readings somewhere in most sets of ten rods.
    assert 1 - (1 - scatter.within(0, 3)) ** 10 == pytest.approx(0.6, abs=0.03)


def test_the_scatter_that_counts_is_the_least_of_the_instrument_and_the_coarsest_step():
    """χ² of 24 degrees of freedom at 97.5 %: 39.36."""
    scatter = scatter_of(a_set(MICROMETER))
    assert scatter.sd_mm == pytest.approx(0.004 * sqrt(24 / 39.364), rel=1e-4)
    assert scatter.step_mm == 0.001
    known = dataclasses.replace(MICROMETER, repeatability_dof=None)
    assert scatter_of(a_set(known)).sd_mm == 0.004


def test_lengths_that_contradict_each_other():
    assert contradicts((33.608, 0.011), (33.738, 0.011))
    assert not contradicts((33.608, 0.011), (33.63, 0.011))
