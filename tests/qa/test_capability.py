"""Capability: coverage of the intervals by simulation, limits, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from labkit.errors import InputError, RefusedError
from labkit.qa.process.capability import Limits, capability, moving_range_spread, pooled_spread
from labkit.qa.process.control_chart import c4, d2
from labkit.qa.process.normality import normality, percentiles
from labkit.qa.process.tolerance_interval import one_sided_factor, two_sided_factor

GOOD = [9.8, 10.1, 10.0, 9.9, 10.2, 10.05]


def covered(pairs, truth):
    return np.mean([estimate.lower <= truth <= estimate.upper for estimate in pairs])


def binomial(rate, n, width=4):
    return width * math.sqrt(rate * (1 - rate) / n)


@pytest.fixture(scope="module")
def studies():
    """2000 samples of 50: limits ± 4, mean 0.7, s 1; Cp 4/3, Cpk 1.1, Cpm 4/(3 √1.49)."""
    draws = np.random.default_rng(17).normal(0.7, 1.0, (2000, 50))
    groups = [number // 5 for number in range(50)]
    limits = Limits(-4, 4, 0)
    return (
        [capability(row, limits) for row in draws],
        [capability(row, limits, groups) for row in draws],
    )


def test_the_interval_of_pp_holds_its_95_percent(studies):
    plain, _ = studies
    share = covered([s.total.of_width for s in plain], 4 / 3)
    assert share == pytest.approx(0.95, abs=binomial(0.95, 2000))


def test_the_interval_of_cp_from_subgroups_holds_its_95_percent(studies):
    _, grouped = studies
    share = covered([s.inherent.of_width for s in grouped], 4 / 3)
    assert share == pytest.approx(0.95, abs=binomial(0.95, 2000))
    assert {s.inherent.spread.dof for s in grouped} == {40}


def test_the_interval_of_cp_from_moving_ranges_is_near_95_percent(studies):
    plain, _ = studies
    share = covered([s.inherent.of_width for s in plain], 4 / 3)
    assert share == pytest.approx(0.95, abs=0.01 + binomial(0.95, 2000))


def test_the_intervals_of_cpk_and_ppk_are_near_95_percent(studies):
    plain, grouped = studies
    for pairs in (
        [s.total.of_nearer for s in plain],
        [s.inherent.of_nearer for s in plain],
        [s.inherent.of_nearer for s in grouped],
    ):
        assert covered(pairs, 1.1) == pytest.approx(0.95, abs=0.01 + binomial(0.95, 2000))


def test_the_interval_of_cpm_is_near_95_percent(studies):
    plain, _ = studies
    share = covered([s.cpm for s in plain], 4 / (3 * math.sqrt(1 + 0.7**2)))
    assert share == pytest.approx(0.95, abs=0.01 + binomial(0.95, 2000))


@pytest.mark.parametrize("n", [5, 20, 100])
def test_degrees_of_freedom_of_moving_ranges_by_simulation(n):
    draws = np.random.default_rng(n).standard_normal((20_000, n))
    sd = np.abs(np.diff(draws)).mean(axis=1) / d2(2)
    dof = moving_range_spread(draws[0]).dof
    # A standard deviation of that many degrees of freedom varies as much in proportion.
    proportion = math.sqrt(1 / c4(dof + 1) ** 2 - 1)
    assert sd.std() / sd.mean() == pytest.approx(proportion, rel=0.03)
    assert sd.mean() == pytest.approx(1.0, rel=0.01)


def test_subgroups_take_out_what_lies_between_them():
    rng = np.random.default_rng(3)
    values = np.repeat([0.0, 5.0, -5.0, 2.0], 10) + rng.normal(0, 0.1, 40)
    found = capability(values, Limits(-10, 10), [n // 10 for n in range(40)])
    assert found.inherent.spread.sd == pytest.approx(0.1, rel=0.35)
    assert found.total.spread.sd > 3
    parts = values.reshape(4, 10)
    assert found.inherent.spread.sd == pytest.approx(math.sqrt(parts.var(axis=1, ddof=1).mean()))


def test_one_limit_alone():
    upper = capability(GOOD, Limits(None, 10.6))
    assert upper.total.of_width is None
    assert upper.cpm is None
    assert upper.total.to_lower is None
    assert upper.total.of_nearer.value == upper.total.to_upper
    assert upper.total.below == 0.0
    mean, sd = np.mean(GOOD), np.std(GOOD, ddof=1)
    assert upper.total.above == pytest.approx(stats.norm.sf(10.6, mean, sd))
    lower = capability(GOOD, Limits(9.4, None))
    assert lower.total.of_nearer.value == pytest.approx((mean - 9.4) / (3 * sd))


def test_values_outside_are_counted_each_side():
    found = capability([9.0, 9.3, 10.0, 10.1, 10.6, 10.7], Limits(9.3, 10.6))
    assert (found.counted_below, found.counted_above) == (1, 1)


def test_two_values_give_no_spread_from_neighbours():
    found = capability([9.9, 10.1], Limits(9, 11))
    assert found.inherent is None
    assert found.total.of_nearer.lower < 0 < found.total.of_nearer.upper


@pytest.mark.parametrize(
    ("values", "words"),
    [([], "needs at least 2 values"), ([1.0], "there is 1"), ([2.0] * 9, "all 9 values are 2")],
)
def test_refused_where_there_is_no_spread(values, words):
    with pytest.raises(RefusedError, match=words):
        capability(values, Limits(0, 3))


@pytest.mark.parametrize(
    "limits", [(None, None), (3, 1), (1, 3, 5), (1, 3, 1), (math.nan, 3), (1, math.inf)]
)
def test_limits_that_make_no_sense(limits):
    with pytest.raises(InputError):
        Limits(*limits)


def test_not_finite_values_and_wrong_subgroups():
    limits = Limits(0, 3)
    with pytest.raises(InputError, match="no finite number"):
        capability([1.0, math.nan], limits)
    with pytest.raises(InputError, match="confidence"):
        capability([1.0, 2.0], limits, confidence=1.0)
    with pytest.raises(InputError, match="2 marks of subgroups"):
        capability([1.0, 2.0, 1.5], limits, ["a", "b"])
    with pytest.raises(RefusedError, match="every subgroup has one value"):
        capability([1.0, 2.0], limits, ["a", "b"])
    with pytest.raises(RefusedError, match="inside each subgroup are the same"):
        pooled_spread(np.array([1.0, 1.0, 2.0, 2.0]), "aabb")


def test_the_test_for_a_normal_distribution_errs_as_often_as_it_says():
    draws = np.random.default_rng(5).standard_normal((3000, 40))
    doubtful = np.mean([normality(row).is_doubtful for row in draws])
    assert doubtful == pytest.approx(0.05, abs=binomial(0.05, 3000) + 0.005)


def test_too_few_values_are_not_judged():
    assert normality(range(7)) is None
    assert normality([0, 1, 2, 3, 4, 5, 6, 50]).is_doubtful


def test_percentiles_of_many_normal_values_give_the_usual_indices():
    values = stats.norm.ppf((np.arange(1, 20_001) - 0.5) / 20_000, 1.0, 2.0)
    found = percentiles(values, -8, 8)
    assert found.of_width == pytest.approx(16 / 12, rel=2e-3)
    assert found.of_nearer == pytest.approx(7 / 6, rel=2e-3)


def test_percentiles_of_skewed_values_look_at_each_side_by_itself():
    values = stats.expon.ppf((np.arange(1, 20_001) - 0.5) / 20_000)
    low, middle, high = stats.expon.ppf([0.00135, 0.5, 0.99865])
    found = percentiles(values, None, 10.0)
    assert found.of_nearer == pytest.approx((10 - middle) / (high - middle), rel=2e-3)
    assert found.of_width is None
    assert found.low == pytest.approx(low, abs=1e-4)
    with pytest.raises(RefusedError, match="half of the values"):
        percentiles([1.0, 1.0, 1.0, 2.0], 0.0, 3.0)


@pytest.mark.parametrize("n", [10, 60])
def test_tolerance_intervals_hold_what_they_promise(n):
    """95 % of intervals hold at least 90 % of the population."""
    draws = np.random.default_rng(n).standard_normal((4000, n))
    mean, sd = draws.mean(axis=1), draws.std(axis=1, ddof=1)
    k = two_sided_factor(n, 0.90, 0.95)
    held = stats.norm.cdf(mean + k * sd) - stats.norm.cdf(mean - k * sd)
    assert np.mean(held >= 0.90) == pytest.approx(0.953, abs=0.004 + binomial(0.95, 4000, 3))
    above = stats.norm.cdf(mean + one_sided_factor(n, 0.90, 0.95) * sd)
    assert np.mean(above >= 0.90) == pytest.approx(0.95, abs=binomial(0.95, 4000))


@pytest.mark.parametrize("factor", [one_sided_factor, two_sided_factor])
def test_tolerance_factors_refuse(factor):
    with pytest.raises(RefusedError, match="at least 2 values"):
        factor(1, 0.9, 0.95)
    for share, confidence in ((0.0, 0.9), (0.9, 1.0), (math.nan, 0.9)):
        with pytest.raises(InputError):
            factor(9, share, confidence)
