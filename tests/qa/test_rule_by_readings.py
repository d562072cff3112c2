"""The rule by simulated readings: gauge pins, jaws, rounding, warmth, calibration, then budget."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal

import numpy as np
import pytest

from labkit.catalog.instruments import instruments
from labkit.catalog.rods import rod_templates
from labkit.core.gauging.ways_of_measuring import ways_of
from labkit.core.rod.fittings import PIN_TOLERANCE_MM
from labkit.core.rod.tolerances import fit_limits
from labkit.qa.decision.budget import length_budget
from labkit.qa.decision.conformance import Result, decide, results

LABS, RODS_EACH, READINGS = 800, 50, 3
LENGTH, TOLERANCE, ALPHA = Decimal("33.6"), Decimal("0.15"), 1e-4
TEMPLATE = rod_templates()["eye-eye-flat"]
PIN = float(TEMPLATE.lower.gauge_pin_mm)


def readings_of(true, tool, method, rng):
    """Measure rods of a known length as a lab does; one row a lab, one column a rod.

    A lab has one instrument with one error of calibration, one pair of gauge pins, and a process
    that makes all bores alike; room, warmth of the hand and scatter are new with each rod.
    """
    labs = (true.shape[0], 1)
    # As far as the no-go pin lets them, and evenly about the middle of their limits.
    middle = float(fit_limits(TEMPLATE.lower.fit, TEMPLATE.lower.bore_diameter_mm).middle_mm)
    reach = float(TEMPLATE.lower.no_go_pin_mm) - middle
    bore = rng.uniform(middle - reach, middle + reach, labs)
    pin = rng.uniform(PIN - float(PIN_TOLERANCE_MM), PIN, labs)
    wrong = tool.calibration_mm * rng.standard_normal(labs)
    room = rng.uniform(-tool.temperature_c, tool.temperature_c, true.shape)
    unlike = rng.uniform(-tool.difference_c, tool.difference_c, true.shape)
    rod, scale = 1 + ALPHA * (room + unlike), 1 + tool.expansion_per_c * room

    def read(distance):
        scatter = tool.repeatability_mm * rng.standard_normal((READINGS, *true.shape))
        shown = distance / scale + wrong + scatter
        return np.round(shown / tool.resolution_mm) * tool.resolution_mm

    over = (true - bore) * rod + 2 * pin * scale
    between = (true + bore) * rod - 2 * pin * scale
    if method == "half-sum":
        return (read(over) + read(between)) / 2
    return read(over if method == "over" else between)


def measured(true, tool, method, rng):
    way = next(way for way in ways_of(TEMPLATE) if way.method == method)
    mean = readings_of(true, tool, method, rng).mean(axis=0) - float(way.shift_mm)
    return mean, length_budget(tool, way, float(LENGTH), READINGS, ALPHA)


CALLIPER = instruments()["example-calliper"]
MICROMETER = instruments()["example-micrometer"]
COARSE = instruments()["example-coarse-calliper"]
#: Rounding rules: readings repeat to the last digit.
ROUNDED = dataclasses.replace(CALLIPER, resolution_mm=0.05, repeatability_mm=0.001)


@pytest.mark.parametrize(
    ("tool", "method"),
    [
        (CALLIPER, "over"), (CALLIPER, "between"), (CALLIPER, "half-sum"), (MICROMETER, "over"),
        (COARSE, "over"), (COARSE, "half-sum"), (ROUNDED, "over"),
    ],
    ids=lambda value: getattr(value, "name", value),
)
@pytest.mark.parametrize("side", [-1, 1])
def test_rods_at_a_limit_pass_at_most_five_times_in_a_hundred(tool, method, side):
    rng = np.random.default_rng(314)
    limits = float(LENGTH - TOLERANCE), float(LENGTH + TOLERANCE)
    at_limit = float(LENGTH + side * TOLERANCE)
    # Rounding must not always meet the same digit: lengths within one step beyond the limit.
    beyond = rng.uniform(0, tool.resolution_mm, (LABS, RODS_EACH)) if tool is ROUNDED else 0.0
    true = np.full((LABS, RODS_EACH), at_limit) + side * beyond
    mean, budget = measured(true, tool, method, rng)
    decided = results(mean, budget.combined_mm, limits, dof=budget.effective_dof)
    by_lab = np.mean(decided == Result.CONFORMS, axis=1)
    # Rods of one lab share its calibration: labs, not rods, are what is independent.
    error = 3 * by_lab.std(ddof=1) / math.sqrt(LABS)
    assert by_lab.mean() <= 0.05 + error
    assert by_lab.mean() > 0 or tool is ROUNDED  # a rule that accepts nothing would prove nothing


@pytest.mark.parametrize("method", ["over", "half-sum"])
def test_the_scatter_of_measured_lengths_is_what_the_budget_says(method):
    rng = np.random.default_rng(9)
    true = np.full((20_000, 1), float(LENGTH))
    mean, budget = measured(true, CALLIPER, method, rng)
    error = mean - true
    assert error.mean() == pytest.approx(0, abs=4 * budget.combined_mm / math.sqrt(error.size))
    # Bores and pins are uniform one by one, their sum is nearer to the middle than the budget's
    # one uniform: it may say up to 10 % more than there is, never less.
    assert 0.9 * budget.combined_mm < error.std() < 1.01 * budget.combined_mm


def test_some_thousand_rods_decided_one_by_one():
    """Lengths over and around the tolerance, through the same `decide` as a real inspection."""
    rng = np.random.default_rng(2)
    lower, upper = float(LENGTH - TOLERANCE), float(LENGTH + TOLERANCE)
    true = rng.uniform(lower - 0.08, upper + 0.08, (4000, 1))
    mean, budget = measured(true, CALLIPER, "over", rng)
    u, dof = budget.combined_mm, budget.effective_dof
    decided = [decide(float(y), u, lower, upper, dof=dof) for y in mean[:, 0]]
    good = (true[:, 0] >= lower) & (true[:, 0] <= upper)
    result = np.array([one.result for one in decided], dtype=object)
    assert (result == results(mean[:, 0], u, (lower, upper), dof=dof)).all()
    accepted, rejected = result == Result.CONFORMS, result == Result.NOT_CONFORMING
    assert accepted.sum() > 1500
    assert rejected.sum() > 200
    assert np.mean(~good[accepted]) <= 0.05
    assert np.mean(good[rejected]) <= 0.05
    bad = int((~good).sum())
    assert (accepted & ~good).sum() / bad <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / bad)
    told = np.array([one.probability for one in decided])
    # Calibrated as a whole: as many good rods as the probabilities add up to.
    spread = math.sqrt(float(np.sum(told * (1 - told))))
    assert good.sum() == pytest.approx(told.sum(), abs=4 * spread)
