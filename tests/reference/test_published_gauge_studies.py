"""Published gauge studies, certified analyses of variance, and the trade's constants."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.qa.gauge.anova import anova, gauge_by_anova
from labkit.qa.gauge.ranges import d2_star, gauge_by_ranges
from labkit.qa.gauge.result import Variation, verdict
from tests.support.gauge_data import houf_berman, sirstv

FOUR = (Variation.REPEATABILITY, Variation.REPRODUCIBILITY, Variation.GAUGE, Variation.PARTS)


def components(study, **how):
    return gauge_by_anova(study, **how)[0]


def projected(study):
    """Work out sums of squares anew: lengths of the readings' projections, by least squares."""
    x = study.array()
    p, o, _ = np.indices(x.shape)
    one = np.ones((x.size, 1))
    of_part, of_person, of_cell = (
        (place.ravel()[:, None] == np.unique(place)).astype(float)
        for place in (p, o, p * x.shape[1] + o)
    )

    def explained(columns):
        fitted = columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
        return float(fitted @ fitted)

    y = x.ravel() - x.mean()
    rods, people = explained(np.hstack([one, of_part])), explained(np.hstack([one, of_person]))
    both = explained(of_cell)
    return rods, people, both - rods - people, float(y @ y) - both


def moments(study):
    """Solve for the components of variance: what each mean square is expected to be."""
    p, o, r = study.shape
    squares = np.array(projected(study)) / [p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)]
    # Columns: rods, persons, rods × persons, repeated readings.
    expected = np.array([[o * r, 0, r, 1], [0, p * r, r, 1], [0, 0, r, 1], [0, 0, 0, 1]])
    rods, people, both, repeated = np.linalg.solve(expected, squares)
    return {
        Variation.REPEATABILITY: repeated,
        Variation.OPERATOR: people,
        Variation.INTERACTION: both,
        Variation.REPRODUCIBILITY: people + both,
        Variation.GAUGE: repeated + people + both,
        Variation.PARTS: rods,
        Variation.TOTAL: repeated + people + both + rods,
    }


def test_houf_and_berman_components():
    """Recomputed independently from the printed data, by projections and expected squares."""
    again, result = moments(houf_berman()), components(houf_berman())
    for part, variance in again.items():
        assert result[part].variance_mm2 == pytest.approx(variance, rel=1e-9)
    assert again[Variation.GAUGE] == pytest.approx(1.804, abs=5e-4)
    assert 100 * result.share_of_variance(Variation.GAUGE) == pytest.approx(3.60, abs=5e-3)
    assert 100 * result.share_of_variance(Variation.PARTS) == pytest.approx(96.40, abs=5e-3)


def test_houf_and_berman_table():
    """Recomputed independently from the printed data."""
    table = anova(houf_berman())
    assert [source.ss_mm2 for source in table.sources] == pytest.approx(projected(houf_berman()))
    assert table.total_ss_mm2 == pytest.approx(4054.4, abs=5e-6)
    assert [source.ms_mm2 for source in table.sources] == pytest.approx(
        [437.32840, 19.63333, 2.69506, 0.51111], abs=5e-6
    )
    assert [source.dof for source in table.sources] == [9, 2, 18, 60]
    assert [source.f for source in table.sources[:3]] == pytest.approx(
        [162.270, 7.2849, 5.2729], abs=5e-4
    )
    assert table.pooled is None


def test_houf_and_berman_groups_have_no_root_over_the_ratio():
    """Recomputed: 18.9749 % of the spread; √2 σp/σg = 7.3177, 7 groups.

    A widespread form prints 1.41·√(PV/GRR), which would give 3 here.
    """
    result = components(houf_berman())
    assert result.share_of_spread(Variation.GAUGE) == pytest.approx(0.189749, abs=5e-7)
    assert result.distinct == pytest.approx(7.3177, abs=5e-5)
    assert result.categories == 7


def test_houf_and_berman_by_ranges():
    """Recomputed independently from the printed data with tabulated constants (four digits)."""
    result, table = gauge_by_ranges(houf_berman())
    read = (table.mean_range_mm, table.operator_difference_mm, table.part_range_mm)
    assert read == pytest.approx((1.066667, 1.566667, 17.777778), abs=5e-7)
    assert [result[part].sd_mm for part in (*FOUR, Variation.TOTAL)] == pytest.approx(
        [0.630187, 0.811407, 1.027383, 5.592889, 5.686468], rel=2e-4
    )
    assert result.share_of_spread(Variation.GAUGE) == pytest.approx(0.180672, rel=2e-4)


def test_a_gauge_without_operators():
    """NIST StRD, SiRstv: the components follow from the certified mean squares."""
    result = components(sirstv())
    within = 2.16636560000000e-01 / 20
    assert result[Variation.REPEATABILITY].variance_mm2 == pytest.approx(within, rel=1e-12)
    between = (5.11462616000000e-02 / 4 - within) / 5
    assert result[Variation.PARTS].variance_mm2 == pytest.approx(between, rel=1e-12)
    assert Variation.REPRODUCIBILITY not in {component.part for component in result.components}


def test_certified_analysis_of_variance():
    """NIST StRD, SiRstv: certified to 15 digits; the data carry large leading digits."""
    between, within = anova(sirstv()).sources
    assert between.ss_mm2 == pytest.approx(5.11462616000000e-02, rel=1e-14)
    assert within.ss_mm2 == pytest.approx(2.16636560000000e-01, rel=1e-14)
    assert (between.dof, within.dof) == (4, 20)
    assert between.f == pytest.approx(1.18046237440255, rel=1e-14)
    assert math.sqrt(within.ms_mm2) == pytest.approx(1.04076068334656e-01, rel=1e-14)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("constant", "printed"),
    [
        # 1/d2 of 2 and 3 readings; 1/d2* of one subgroup of 2, 3, 5 and 10.
        (1 / d2_star(2, 10**9), 0.8862), (1 / d2_star(3, 10**9), 0.5908),
        (1 / d2_star(2, 1), 0.7071), (1 / d2_star(3, 1), 0.5231),
        (1 / d2_star(5, 1), 0.4030), (1 / d2_star(10, 1), 0.3146),
    ],
)
def test_constants_of_averages_and_ranges(constant, printed):
    """A. J. Duncan, Quality Control and Industrial Statistics, table D3 (from memory)."""
    assert constant == pytest.approx(printed, abs=5.1e-5)


@pytest.mark.common_practice
def test_limits_of_ten_and_thirty_percent():
    """The trade's usual limits for a gauge's share; a convention."""
    said = [verdict(share) for share in (9.9, 10.0, 30.0, 30.1)]
    between = "acceptable with reservations"
    assert said == ["good", between, between, "not fit"]
