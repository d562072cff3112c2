"""Intervals of a gauge study: they cover what they promise, and agree with closed formulas."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import chi2

from labkit.errors import InputError
from labkit.qa.gauge.anova import gauge_by_anova
from labkit.qa.gauge.intervals import intervals
from labkit.qa.gauge.result import Variation
from tests.support.gauge_data import houf_berman, invented, sirstv


@dataclass(frozen=True)
class Line:
    ss_mm2: float
    dof: int


def expected_squares(shape, parts, operator, both, error):
    """Give what the mean squares estimate, and their degrees of freedom."""
    p, o, r = shape
    if o == 1:
        return [(error + r * parts, p - 1), (error, p * (r - 1))]
    inner = error + r * both
    return [
        (inner + o * r * parts, p - 1), (inner + p * r * operator, o - 1),
        (inner, (p - 1) * (o - 1)), (error, p * o * (r - 1)),
    ]


STUDIES = {
    "usual": ((10, 3, 3), (1.0, 0.02, 0.01, 0.04)),
    "small": ((5, 2, 2), (0.25, 0.04, 0.04, 0.09)),
    "good operators": ((10, 3, 2), (1.0, 1e-6, 1e-6, 0.04)),
    "automatic": ((10, 1, 3), (1.0, 0.0, 0.0, 0.05)),
}


def covered(name, runs):
    """Count how often the intervals hold the true standard deviations and share."""
    shape, (parts, operator, both, error) = STUDIES[name]
    gauge = operator + both + error
    truth = {
        Variation.REPEATABILITY: error, Variation.GAUGE: gauge, Variation.PARTS: parts,
        Variation.TOTAL: gauge + parts,
    }
    if shape[1] > 1:
        truth[Variation.REPRODUCIBILITY] = operator + both
    rng = np.random.default_rng(20310314)
    hits = dict.fromkeys([*truth, "share", "categories"], 0)
    lines = expected_squares(shape, parts, operator, both, error)
    for _ in range(runs):
        drawn = [Line(square * rng.chisquare(dof), dof) for square, dof in lines]
        found = intervals(drawn, shape, 0.95)
        for part, variance in truth.items():
            hits[part] += within(found.sd_mm[part], math.sqrt(variance))
        hits["share"] += within(found.share, math.sqrt(gauge / (gauge + parts)))
        hits["categories"] += within(found.categories, math.sqrt(2 * parts / gauge))
    return hits


def within(found, value):
    return found.lower <= value <= found.upper


def assert_promised(name, runs):
    # What the docstring of intervals says of 95 %, less three binomial deviations.
    least = 0.93 - 3 * math.sqrt(0.93 * 0.07 / runs)
    for what, count in covered(name, runs).items():
        assert count / runs >= least, (what, count / runs)


@pytest.mark.parametrize("name", STUDIES)
def test_intervals_cover_what_they_promise(name):
    assert_promised(name, 150)


@pytest.mark.slow
@pytest.mark.parametrize("name", STUDIES)
def test_intervals_cover_what_they_promise_in_many_studies(name):
    assert_promised(name, 4000)


@pytest.mark.parametrize("study", [houf_berman(), invented(), sirstv()])
def test_repeatability_has_the_exact_interval(study):
    result, table = gauge_by_anova(study, level=1.0)
    error = table.used[-1]
    ends = [math.sqrt(error.ss_mm2 / chi2.ppf(level, error.dof)) for level in (0.975, 0.025)]
    found = result[Variation.REPEATABILITY].interval_mm
    assert (found.lower, found.upper) == pytest.approx(ends, rel=1e-3)


@pytest.mark.parametrize("study", [houf_berman(), invented()])
def test_gauge_agrees_with_the_modified_large_sample_interval(study):
    """F. A. Graybill, C.-M. Wang, J. Am. Stat. Assoc. 75 (1980) 869 (from memory): for γ = Σ c MS,
    L = γ − √Σ (G c MS)², U = γ + √Σ (H c MS)², G = 1 − ν/χ²(0.975), H = ν/χ²(0.025) − 1.
    """
    result, table = gauge_by_anova(study, level=1.0)
    p, _, r = study.shape
    weights = (1 / (p * r), (p - 1) / (p * r), (r - 1) / r)
    terms = [(c * s.ms_mm2, s.dof) for c, s in zip(weights, table.used[1:], strict=True)]
    total = sum(value for value, _ in terms)
    assert total == pytest.approx(result[Variation.GAUGE].variance_mm2)
    down = math.hypot(*(value * (1 - dof / chi2.ppf(0.975, dof)) for value, dof in terms))
    up = math.hypot(*(value * (dof / chi2.ppf(0.025, dof) - 1) for value, dof in terms))
    found = result[Variation.GAUGE].interval_mm
    assert found.lower == pytest.approx(math.sqrt(total - down), rel=0.03)
    assert found.upper == pytest.approx(math.sqrt(total + up), rel=0.03)


def test_estimates_lie_in_their_intervals_and_more_confidence_is_wider():
    for study in (houf_berman(), invented(), sirstv()):
        narrow, _ = gauge_by_anova(study, confidence=0.8)
        wide, _ = gauge_by_anova(study, confidence=0.99)
        for inner, outer in zip(narrow.components, wide.components, strict=True):
            assert within(inner.interval_mm, inner.sd_mm)
            assert outer.interval_mm.lower <= inner.interval_mm.lower
            assert outer.interval_mm.upper >= inner.interval_mm.upper


def test_the_same_study_gives_the_same_intervals():
    assert gauge_by_anova(houf_berman()) == gauge_by_anova(houf_berman())


@pytest.mark.parametrize("confidence", [0.0, 1.0, float("nan")])
def test_a_confidence_lies_between_zero_and_one(confidence):
    with pytest.raises(InputError, match="between 0 and 1"):
        gauge_by_anova(houf_berman(), confidence=confidence)


def test_no_total_is_smaller_than_its_gauge():
    """Parts that do not differ: their variance is drawn below zero, which no variance can be."""
    found = intervals([Line(0.2, 9), Line(2.0, 20)], (10, 1, 3), 0.95)
    total, gauge = found.sd_mm[Variation.TOTAL], found.sd_mm[Variation.GAUGE]
    assert found.sd_mm[Variation.PARTS].upper < 0.2 * gauge.lower
    assert total.lower >= gauge.lower
    assert total.upper >= gauge.upper
