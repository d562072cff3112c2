"""Run rules one by one, and the chart of individual values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.errors import InputError, RefusedError
from labkit.qa.process.control_chart import chance_of_signals, d2, individuals
from labkit.qa.process.run_rules import ALL, USUAL, run_rules

QUIET = [0.1, -0.2, 0.3, -0.1]


def found(values, rules=ALL):
    return [(s.rule, s.index, s.first, s.last) for s in run_rules(values, 0.0, 1.0, rules)]


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([*QUIET, 3.01], [("beyond-3-sigma", 4, 4, 4)]),
        ([*QUIET, 3.0], []),
        ([0.1, 2.1, 0.3, 2.2], [("two-of-three", 3, 1, 3)]),
        ([0.1, 2.1, 0.3, -0.2, 2.2], []),
        ([0.1, 2.1, 0.3, -2.2], []),
        ([0.1, 2.1, 2.2, 0.3], [("two-of-three", 2, 0, 2)]),
        ([-0.1, 1.1, 1.2, 0.2, 1.3, 1.4], [("four-of-five", 5, 1, 5)]),
        ([-0.1, 1.1, 1.2, 0.2, 1.3, -1.4], []),
        ([-0.1, *[0.3, 0.2] * 4], [("eight-on-one-side", 8, 1, 8)]),
        ([-0.1, *[0.3, 0.2] * 6], [("eight-on-one-side", 8, 1, 12)]),
        ([-0.1, 0.3, 0.2, 0.3, 0.0, 0.3, 0.2, 0.3, 0.2], []),
        ([0.5, -0.9, -0.6, -0.2, 0.1, 0.5, 0.9], [("six-trending", 6, 1, 6)]),
        ([-0.9, -0.6, -0.2, -0.2, 0.1, 0.5, 0.9], []),
    ],
)
def test_each_zone_rule_and_the_trend_on_both_sides(values, expected, side):
    assert found([side * value for value in values], USUAL) == expected


def test_the_three_further_rules():
    ups_and_downs = [0.5 * (-1) ** n for n in range(14)]
    assert found(ups_and_downs) == [("fourteen-alternating", 13, 0, 13)]
    assert found(ups_and_downs[:13]) == []
    quiet = [0.5, 0.6, -0.5, -0.4, 0.2] * 3
    assert ("fifteen-within", 14, 0, 14) in found(quiet)
    assert found(quiet[:14]) == []
    apart = [1.2, 1.5, -1.3, -1.2, 1.4, 1.6, -1.1, -1.2]
    assert found(apart) == [("eight-outside", 7, 0, 7)]
    assert found(apart, USUAL) == []


def test_a_pattern_that_begins_with_the_first_value_is_told_from_there():
    (signal,) = run_rules([0.3, 0.2] * 4, 0.0, 1.0, USUAL)
    assert (signal.first, signal.index, signal.last) == (0, 7, 7)
    assert signal.sentence.startswith("points 1 to 8: ")


def test_seven_points_outside_are_no_pattern():
    apart = [1.2, 1.5, -1.3, -1.2, 1.4, 1.6, -1.1]
    assert found([*apart, 0.4]) == []
    assert found([0.4, *apart, -1.2]) == [("eight-outside", 8, 1, 8)]
    assert found([*apart[:4], 0.4, *apart[4:], -1.2]) == []


def test_sentences_say_where_and_what():
    signals = run_rules([30.0, 30.01, 30.13], 30.0, 0.04)
    assert signals[0].sentence == (
        "point 3 (30.13) lies above the upper limit 30.12, 3 standard deviations from the centre 30"
    )
    drift = run_rules([-0.1, *[0.3, 0.2] * 5], 0.0, 1.0)
    assert drift[0].sentence == (
        "points 2 to 11: 10 points in a row lie above the centre 0: the level has moved"
    )


def test_every_rule_has_a_sentence():
    rng = np.random.default_rng(1)
    told = {s.rule: s.sentence for s in run_rules(rng.standard_normal(20_000), 0, 1, ALL)}
    assert set(told) == {rule.name for rule in ALL}
    assert not any("{" in sentence for sentence in told.values())


@pytest.mark.parametrize("sigma", [0.0, -1.0, math.nan, math.inf])
def test_without_a_spread_nothing_is_judged(sigma):
    with pytest.raises(RefusedError, match="do not differ"):
        run_rules([1, 2], 1.5, sigma)


def test_bad_values_are_refused():
    with pytest.raises(InputError, match="no finite number"):
        run_rules([1.0, math.nan], 0.0, 1.0)
    with pytest.raises(InputError, match="no finite number"):
        individuals([1.0, math.inf, 2.0])
    with pytest.raises(RefusedError, match="at least 3 values and has 2"):
        individuals([1.0, 2.0])
    with pytest.raises(RefusedError, match="do not differ"):
        individuals([2.0] * 5)
    for size in (1, 101):
        with pytest.raises(InputError, match="from 2 to 100"):
            d2(size)


def test_a_jump_shows_in_the_moving_range():
    steady = [0.0, 0.1, -0.1, 0.05, -0.05, 0.1, 0.0, -0.1, 0.05, 0.0]
    chart = individuals([*steady, 1.5, 1.4, 1.6])
    ranges = [s for s in chart.signals if s.rule == "moving-range"]
    assert [s.index for s in ranges] == [10]
    assert ranges[0].sentence.startswith("points 10 and 11 differ by 1.5, more than the limit")
    assert not chart.is_stable


def test_a_coarse_gauge_is_seen():
    assert individuals([1.0, 1.1, 1.0, 1.1, 1.0, 1.1]).is_coarse
    assert not individuals([1.0, 1.1, 1.0]).is_coarse


@pytest.mark.parametrize(("n", "count"), [(30, 3), (64, 5)])
def test_so_many_signals_are_rare_on_stable_charts(n, count):
    """At about 5 % the Poisson chance agrees with simulated charts."""
    draws = np.random.default_rng(n).standard_normal((1500, n))
    share = np.mean([len(individuals(row).signals) >= count for row in draws])
    assert chance_of_signals(count, n) == pytest.approx(share, abs=0.02)
    assert chance_of_signals(count, n) < 0.05
