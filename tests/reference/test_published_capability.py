"""Capability indices, tolerance factors and normality against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq
from scipy.special import chdtrc, ndtr, ndtri
from statsmodels.stats.diagnostic import normal_ad
from statsmodels.stats.oneway import anova_oneway

from labkit.qa.process.capability import Limits, Spread, capability, indices
from labkit.qa.process.normality import normality, probability_plot
from labkit.qa.process.sample import Grouping, difference_chance
from labkit.qa.process.tolerance_interval import howe_factor, one_sided_factor, two_sided_factor
from tests.reference.gear_data import BATCH, ROWS, VALUES


def spread_of(sd, n):
    return Spread(sd, n - 1, "given")


def test_the_interval_of_cpk_is_that_of_bissell():
    """A. F. Bissell, Applied Statistics 39 (1990) 331: Cpk (1 ± z √(1/(9 n Cpk²) + 1/(2 (n − 1)))).

    Worked out anew from the readings of GEAR.DAT, 90 %.
    """
    found = capability(VALUES, Limits(0.98, 1.02), confidence=0.90)
    n, mean, sd = len(VALUES), np.mean(VALUES), np.std(VALUES, ddof=1)
    cpk = min(1.02 - mean, mean - 0.98) / (3 * sd)
    wide = stats.norm.ppf(0.95) * math.sqrt(1 / (9 * n * cpk**2) + 1 / (2 * (n - 1)))
    index = found.total.of_nearer
    assert (index.lower, index.upper) == pytest.approx((cpk * (1 - wide), cpk * (1 + wide)))


def test_the_interval_of_cp_is_that_of_the_variance():
    """NIST/SEMATECH e-Handbook 6.1.6: Cp √(χ²(α/2, ν)/ν) to Cp √(χ²(1 − α/2, ν)/ν)."""
    found = indices(75, 5.6136, spread_of(0.0483132, 75), Limits(5.49, 5.79), 0.95)
    cp = 0.3 / (6 * 0.0483132)
    ends = [cp * math.sqrt(stats.chi2.ppf(level, 74) / 74) for level in (0.025, 0.975)]
    assert (found.of_width.lower, found.of_width.upper) == pytest.approx(ends)


def test_the_example_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, s 2; target 14."""
    values = 16 + 2 * np.array([-1, 1] * 50) * math.sqrt(99 / 100)
    found = capability(values, Limits(8, 20, 14))
    assert found.mean == pytest.approx(16)
    assert found.total.spread.sd == pytest.approx(2)
    assert found.total.of_width.value == pytest.approx(1.0)
    assert found.total.to_upper == pytest.approx(0.6667, abs=5e-5)
    assert found.total.to_lower == pytest.approx(1.3333, abs=5e-5)
    assert found.total.of_nearer.value == pytest.approx(0.6667, abs=5e-5)
    assert found.cpm.value == pytest.approx(0.7071, abs=5e-5)
    k = abs(14 - found.mean) / 6
    by_k = found.total.of_width.value * (1 - k)
    assert found.total.of_nearer.value == pytest.approx(by_k)


def test_gear_diameters():
    """NIST GEAR.DAT, limits 0.98 and 1.02; values recomputed from the file."""
    assert len(VALUES) == 100
    found = capability(VALUES, Limits(0.98, 1.02), BATCH)
    assert found.mean == pytest.approx(0.997640, abs=5e-7)
    assert found.total.spread.sd == pytest.approx(0.00627890, abs=5e-9)
    assert found.total.of_width.value == pytest.approx(1.061756, abs=5e-7)
    assert found.total.of_nearer.value == pytest.approx(0.936469, abs=5e-7)
    # Recomputed with z rounded to 1.96.
    assert found.total.of_nearer.lower == pytest.approx(0.790580, abs=5e-6)
    assert found.total.of_nearer.upper == pytest.approx(1.082358, abs=5e-6)
    assert found.inherent.spread.sd == pytest.approx(0.00593857, abs=5e-9)
    assert found.inherent.spread.dof == 90


def test_gear_batches_differ_as_two_other_ways_find():
    chance = difference_chance(VALUES, Grouping("batch", tuple(map(str, BATCH))))
    assert chance == pytest.approx(0.02266, abs=5e-6)
    assert chance == pytest.approx(anova_oneway(ROWS, use_var="equal").pvalue)
    assert chance == pytest.approx(stats.f_oneway(*ROWS).pvalue)


@pytest.mark.parametrize(
    ("mean", "index", "outside"), [(10.0, 0.83333, 0.01242), (10.5, 0.41667, 0.10574)]
)
def test_the_share_outside_is_that_of_a_table_of_the_normal_integral(mean, index, outside):
    """Limits 9 and 11, s 0.4: 2.5 from the middle, 1.25 and 3.75 beside it."""
    found = indices(50, mean, spread_of(0.4, 50), Limits(9, 11), 0.95)
    assert found.of_nearer.value == pytest.approx(index, abs=5e-6)
    assert found.outside == pytest.approx(outside, abs=5e-6)


def test_tolerance_factors_of_the_handbook():
    """NIST/SEMATECH e-Handbook 7.2.6.3: n 43, 90 % of the population, 99 % sure."""
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=0.0005)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert one_sided_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=5e-5)


def exact_factor(n, share, confidence):
    """Solve the defining integral: the mean by quadrature, the half-width by Newton."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    weights, m = weights / weights.sum(), nodes / math.sqrt(n)
    r = np.full_like(m, ndtri((1 + share) / 2))
    for _ in range(60):
        slope = (np.exp(-((m + r) ** 2) / 2) + np.exp(-((m - r) ** 2) / 2)) / math.sqrt(2 * np.pi)
        r = np.maximum(r - (ndtr(m + r) - ndtr(m - r) - share) / np.maximum(slope, 1e-12), 1e-3)

    def sure(k):
        return (weights * chdtrc(n - 1, (n - 1) * r**2 / k**2)).sum() - confidence

    return brentq(sure, 0.5, 60)


@pytest.mark.parametrize("n", [10, 20, 43, 100, 500])
@pytest.mark.parametrize(("share", "confidence"), [(0.9, 0.9), (0.95, 0.95), (0.99, 0.95)])
def test_two_sided_factors_are_near_the_exact_ones_and_not_narrow(n, share, confidence):
    exact = exact_factor(n, share, confidence)
    assert -0.0005 < two_sided_factor(n, share, confidence) / exact - 1 < 0.01


@pytest.mark.parametrize("n", [3, 10, 75])
def test_one_sided_factor_is_the_non_central_t_of_scipy(n):
    expected = stats.nct.ppf(0.95, n - 1, ndtri(0.99) * math.sqrt(n)) / math.sqrt(n)
    assert one_sided_factor(n, 0.99, 0.95) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("kind", ["normal", "exponential", "uniform", "heavy"])
@pytest.mark.parametrize("n", [8, 30, 200])
def test_normality_as_another_way_finds_it(kind, n):
    rng = np.random.default_rng(n)
    draw = {
        "normal": rng.standard_normal,
        "exponential": rng.standard_exponential,
        "uniform": rng.random,
        "heavy": lambda size: rng.standard_t(3, size),
    }[kind]
    values = draw(n)
    plain, chance = normal_ad(values)
    found = normality(values)
    assert found.statistic == pytest.approx(plain * (1 + 0.75 / n + 2.25 / n**2))
    assert found.p == pytest.approx(chance, rel=1e-9, abs=1e-12)
    assert found.skewness == pytest.approx(stats.skew(values))
    assert found.excess == pytest.approx(stats.kurtosis(values))


def test_the_band_of_the_probability_plot_is_that_of_order_statistics():
    values = np.sort(np.random.default_rng(1).normal(5, 2, 40))
    points = probability_plot(values)
    for i in (1, 7, 40):
        ends = stats.beta.ppf([0.025, 0.975], i, 41 - i)
        expected = stats.norm.ppf(ends, values.mean(), values.std(ddof=1))
        assert [points.lower[i - 1], points.upper[i - 1]] == pytest.approx(list(expected))
