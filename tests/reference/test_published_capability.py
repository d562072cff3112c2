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

#: SAS/QC sample library, "Boosting power of telephone amplifiers": 75 values, limits 4 and 6.
AMPLIFIERS = [
    4.54, 4.87, 4.66, 4.90, 4.68, 5.22, 4.43, 5.14, 3.07, 4.22, 5.09, 3.41, 5.75, 5.16, 3.96, 5.37,
    5.70, 4.11, 4.83, 4.51, 4.57, 4.16, 5.73, 3.64, 5.48, 4.95, 4.57, 4.46, 4.75, 5.38, 5.19, 4.35,
    4.98, 4.87, 3.53, 4.46, 4.57, 4.69, 5.27, 4.67, 5.03, 4.50, 5.35, 4.55, 4.05, 6.63, 5.32, 5.24,
    5.73, 5.08, 5.07, 5.42, 5.05, 5.70, 4.79, 4.34, 5.06, 4.64, 4.82, 3.24, 4.79, 4.46, 3.84, 5.05,
    5.46, 4.64, 6.13, 4.31, 4.81, 4.98, 4.95, 5.57, 4.11, 4.15, 5.95,
]


def spread_of(sd, n):
    return Spread(sd, n - 1, "given")


def test_the_interval_of_the_amplifiers():
    """Printed there: 90 % interval of Cpk from 0.328 to 0.496."""
    found = capability(AMPLIFIERS, Limits(4, 6), confidence=0.90)
    index = found.overall.performance
    assert index.lower == pytest.approx(0.328, abs=0.0005)
    assert index.upper == pytest.approx(0.496, abs=0.0005)
    # Worked out again from the data with numpy.
    assert found.mean == pytest.approx(4.80933, abs=5e-6)
    assert found.overall.spread.sd == pytest.approx(0.654928, abs=5e-7)
    assert index.value == pytest.approx(0.411920, abs=5e-7)


def test_indices_of_a_data_set_of_bissell():
    """Data set `capability` of the R package boot: n, mean and s as recomputed from it."""
    found = indices(75, 5.613600, spread_of(0.0483132, 75), Limits(5.49, 5.79), 0.95)
    assert found.potential.value == pytest.approx(1.034915, abs=5e-6)
    assert found.potential.lower == pytest.approx(0.868399, abs=5e-6)
    assert found.potential.upper == pytest.approx(1.201127, abs=5e-6)
    assert found.performance.value == pytest.approx(0.852770, abs=2e-5)
    assert found.performance.lower == pytest.approx(0.696030, abs=2e-5)
    assert found.performance.upper == pytest.approx(1.009510, abs=2e-5)


def test_the_example_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, s 2; target 14."""
    values = 16 + 2 * np.array([-1, 1] * 50) * math.sqrt(99 / 100)
    found = capability(values, Limits(8, 20, 14))
    assert found.mean == pytest.approx(16)
    assert found.overall.spread.sd == pytest.approx(2)
    assert found.overall.potential.value == pytest.approx(1.0)
    assert found.overall.to_upper == pytest.approx(0.6667, abs=5e-5)
    assert found.overall.to_lower == pytest.approx(1.3333, abs=5e-5)
    assert found.overall.performance.value == pytest.approx(0.6667, abs=5e-5)
    assert found.cpm.value == pytest.approx(0.7071, abs=5e-5)
    k = abs(14 - found.mean) / 6
    by_k = found.overall.potential.value * (1 - k)
    assert found.overall.performance.value == pytest.approx(by_k)


def test_gear_diameters():
    """NIST GEAR.DAT with the limits of Dataplot's CPKPLOT.DP; values recomputed from the file."""
    assert len(VALUES) == 100
    found = capability(VALUES, Limits(0.98, 1.02), BATCH)
    assert found.mean == pytest.approx(0.997640, abs=5e-7)
    assert found.overall.spread.sd == pytest.approx(0.00627890, abs=5e-9)
    assert found.overall.potential.value == pytest.approx(1.061756, abs=5e-7)
    assert found.overall.performance.value == pytest.approx(0.936469, abs=5e-7)
    # Those two were worked out with z rounded to 1.96.
    assert found.overall.performance.lower == pytest.approx(0.790580, abs=5e-6)
    assert found.overall.performance.upper == pytest.approx(1.082358, abs=5e-6)
    assert found.within.spread.sd == pytest.approx(0.00593857, abs=5e-9)
    assert found.within.spread.dof == 90


def test_gear_batches_differ_as_published_and_as_statsmodels_says():
    chance = difference_chance(VALUES, Grouping("batch", tuple(map(str, BATCH))))
    assert chance == pytest.approx(0.02266, abs=5e-6)
    assert chance == pytest.approx(anova_oneway(ROWS, use_var="equal").pvalue)
    assert chance == pytest.approx(stats.f_oneway(*ROWS).pvalue)


@pytest.mark.parametrize(
    ("mean", "index", "outside"), [(10.0, 0.83333, 0.01242), (10.5, 0.41667, 0.10574)]
)
def test_specific_risk_of_suncal(mean, index, outside):
    """sandialabs/suncal, test_risk.py: limits 9 and 11, s 0.4."""
    found = indices(50, mean, spread_of(0.4, 50), Limits(9, 11), 0.95)
    assert found.performance.value == pytest.approx(index, abs=5e-6)
    assert found.outside == pytest.approx(outside, abs=5e-6)


def test_tolerance_factors_of_the_handbook():
    """NIST/SEMATECH e-Handbook 7.2.6.3: n 43, 90 % of the population, 99 % sure."""
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=0.0005)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert one_sided_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=5e-5)
    # A public worksheet of that page: mean 97.07, s 0.0268.
    k = howe_factor(43, 0.90, 0.99)
    assert 97.07 - k * 0.0268 == pytest.approx(97.010576, abs=5e-6)
    assert 97.07 + k * 0.0268 == pytest.approx(97.12942, abs=5e-6)


@pytest.mark.parametrize(
    ("n", "share", "confidence", "factor"),
    [(200, 0.9, 0.95, 1.7984), (1000, 0.9, 0.95, 1.7088), (26, 0.8, 0.9, 1.6124)],
)
def test_two_sided_factors_of_the_package_toleranceinterval(n, share, confidence, factor):
    """Values that its own tests hold (Guenther's correction)."""
    assert two_sided_factor(n, share, confidence) == pytest.approx(factor, abs=5e-5)


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
def test_normality_as_statsmodels_finds_it(kind, n):
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
