"""Charts of individual values: published limits, constants, and false alarms of run rules."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.sparse import coo_matrix, identity
from scipy.sparse.linalg import spsolve
from scipy.special import ndtr

from labkit.qa.process.control_chart import D4, RANGE_RATE, c4, d2, d3, individuals
from labkit.qa.process.run_rules import (
    ALL,
    BEYOND,
    EIGHT_ON_ONE_SIDE,
    FOUR_OF_FIVE,
    TWO_OF_THREE,
    USUAL,
)

HANDBOOK = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_example_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.2; it divides by d2 rounded to 1.128."""
    chart = individuals(HANDBOOK)
    assert chart.moving_ranges == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    assert chart.centre == pytest.approx(50.81, abs=0.005)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    rounded = 3 * chart.mean_range / 1.128
    assert chart.centre + rounded == pytest.approx(55.8041, abs=5e-5)
    assert chart.centre - rounded == pytest.approx(45.8159, abs=5e-5)
    # With d2 itself the limits move by what rounding it to three decimals does.
    assert chart.upper == pytest.approx(55.8041, abs=rounded * 0.0005 / 1.128)
    assert chart.lower == pytest.approx(45.8159, abs=rounded * 0.0005 / 1.128)
    assert chart.range_upper == pytest.approx(6.1347, abs=0.0005 * chart.mean_range)
    assert chart.is_stable


@pytest.mark.parametrize(
    ("constant", "n", "printed", "half_step"),
    [
        (d2, 2, 1.1284, 5e-5), (d2, 3, 1.6926, 5e-5), (d2, 5, 2.3259, 5e-5),
        # d3(2) is 0.85250 25: the table cuts where this rounds.
        (d3, 2, 0.8525, 1e-4),
        (D4, 2, 3.267, 5e-4),
        # Tables work out 1 + 3·0.888/1.693; unrounded it is 2.5746.
        (D4, 3, 2.574, 1e-3),
        (c4, 2, 0.7979, 5e-5),
    ],
)
def test_constants_as_printed(constant, n, printed, half_step):
    """Tables of control charts, such as those of ISO 7870-2 (from memory)."""
    assert constant(n) == pytest.approx(printed, abs=half_step)


def test_constants_of_two_values_in_closed_form():
    assert d2(2) == pytest.approx(2 / math.sqrt(math.pi), abs=1e-9)
    assert d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-9)
    assert c4(2) == pytest.approx(math.sqrt(2 / math.pi))
    assert d2(3) == pytest.approx(3 / math.sqrt(math.pi), abs=1e-9)


@pytest.mark.parametrize("n", [4, 10, 100])
def test_constants_by_simulation(n):
    ranges = np.ptp(np.random.default_rng(n).standard_normal((40_000, n)), axis=1)
    error = ranges.std() / math.sqrt(len(ranges))
    assert d2(n) == pytest.approx(ranges.mean(), abs=4 * error)
    assert d3(n) == pytest.approx(ranges.std(), rel=0.02)


ONE, TWO = float(ndtr(-1)), float(ndtr(-2))
#: Chance that a point completes each pattern, by counting; Nelson gives the last two.
EXACT = {
    "beyond-3-sigma": 2 * float(ndtr(-3)),
    "two-of-three": 2 * TWO * (1 - (1 - TWO) ** 2),
    "four-of-five": 2 * ONE * (4 * ONE**3 * (1 - ONE) + ONE**4),
    "eight-on-one-side": 2 / 2**8,
    "six-trending": 2 / math.factorial(6),
    # 199360981 alternating permutations of 14 (the Euler number E14) begin downwards.
    "fourteen-alternating": 2 * 199360981 / math.factorial(14),
    "fifteen-within": (1 - 2 * ONE) ** 15,
    "eight-outside": (2 * ONE) ** 8,
}


@pytest.mark.parametrize("rule", ALL, ids=lambda rule: rule.name)
def test_the_rate_of_each_rule_is_exact(rule):
    assert rule.rate == pytest.approx(EXACT[rule.name], rel=5e-5)


@pytest.mark.parametrize("rule", ALL, ids=lambda rule: rule.name)
def test_the_rate_of_each_rule_by_simulation(rule):
    """Marks come in runs, so their error is larger than that of single throws: blocks tell it."""
    z = np.random.default_rng(5).standard_normal(2_000_000)
    marked = np.any([rule.found(z, side) for side in rule.sides], axis=0)
    blocks = marked.reshape(200, -1).mean(axis=1)
    error = blocks.std(ddof=1) / math.sqrt(len(blocks))
    assert blocks.mean() == pytest.approx(rule.rate, abs=4 * error)


def test_the_euler_number_by_counting():
    counts = [
        sum(all((p[i] < p[i + 1]) == (i % 2 == 1) for i in range(n - 1))
            for p in itertools.permutations(range(n)))
        for n in range(1, 9)
    ]
    assert counts == [1, 1, 2, 5, 16, 61, 272, 1385]
    # The same numbers by the recurrence of Seidel lead to E14.
    row = [1]
    for _ in range(14):
        row = list(itertools.accumulate([0, *reversed(row)]))
    assert row[-1] == 199360981


def test_the_rate_of_moving_ranges():
    assert pytest.approx(2 * float(ndtr(-D4(2) * d2(2) / math.sqrt(2))), abs=1e-7) == RANGE_RATE


#: Steps of the line from −∞ to ∞ at whole standard deviations.
ZONES = [-4, -3, -2, -1, 1, 2, 3, 4]
CHANCES = np.diff(ndtr([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf]))


def complete(history, run, names):
    """Say whether the last zone of a history completes a pattern; written anew, zone by zone."""
    for side in (1, -1):
        ahead = [zone * side for zone in history]
        if (
            ("beyond-3-sigma" in names and ahead[-1] == 4)
            or ("two-of-three" in names and sum(z >= 3 for z in ahead[-3:]) >= 2)
            or ("four-of-five" in names and sum(z >= 2 for z in ahead[-5:]) >= 4)
            or ("eight-on-one-side" in names and run * side >= 8)
        ):
            return True
    return False


def average_run_length(names):
    """Points until the first signal of a stable process, by a Markov chain over all histories."""
    states, waiting, rows = {((), 0): 0}, [((), 0)], []
    while waiting:
        history, run = state = waiting.pop()
        for zone, chance in zip(ZONES, CHANCES, strict=True):
            side = 1 if zone > 0 else -1
            longer = max(-8, min(8, run + side)) if run * side >= 0 else side
            if complete((*history, zone), longer, names):
                continue
            # Sides beyond four points back live in the run; near the centre there is nothing more.
            kept = tuple(z if abs(z) > 1 else 0 for z in (*history, zone)[-4:])
            after = (kept, longer)
            if after not in states:
                states[after] = len(states)
                waiting.append(after)
            rows.append((states[state], states[after], chance))
    i, j, chances = zip(*rows, strict=True)
    chain = coo_matrix((chances, (i, j)), shape=(len(states), len(states))).tocsc()
    return float(spsolve((identity(len(states), format="csc") - chain), np.ones(len(states)))[0])


@pytest.mark.parametrize(
    ("rules", "printed"),
    [
        ((BEYOND,), 370.40),
        ((BEYOND, TWO_OF_THREE), 225.44),
        ((BEYOND, FOUR_OF_FIVE), 166.05),
        ((BEYOND, EIGHT_ON_ONE_SIDE), 152.73),
        ((BEYOND, TWO_OF_THREE, FOUR_OF_FIVE, EIGHT_ON_ONE_SIDE), 91.75),
    ],
)
def test_average_run_lengths_of_champ_and_woodall(rules, printed):
    """C. W. Champ, W. H. Woodall, Technometrics 29 (1987) 393, table 1: from memory; the handbook
    quotes 91.75. The chain counts by zones of its own, the next test by the program's rules."""
    names = {rule.name for rule in rules}
    assert average_run_length(names) == pytest.approx(printed, abs=0.005)


def first_signals(rules, charts, points, seed):
    z = np.random.default_rng(seed).standard_normal((charts, points))
    for row in z:
        marks = np.any([rule.found(row, side) for rule in rules for side in rule.sides], axis=0)
        at = np.flatnonzero(marks)
        yield (int(at[0]) + 1) if len(at) else points


@pytest.mark.parametrize(("rules", "expected"), [(USUAL[:4], 91.75), (USUAL, 77)])
def test_average_run_lengths_by_simulation(rules, expected):
    found = list(first_signals(rules, 3000, 1000, 11))
    error = np.std(found) / math.sqrt(len(found))
    assert np.mean(found) == pytest.approx(expected, abs=4 * error)
