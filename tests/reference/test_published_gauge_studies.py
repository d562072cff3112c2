"""Published gauge studies, certified analyses of variance, and the trade's constants."""

from __future__ import annotations

import math

import pytest

from labkit.qa.gauge.anova import anova, gauge_by_anova
from labkit.qa.gauge.ranges import d2_star, gauge_by_ranges
from labkit.qa.gauge.result import Variation, verdict
from tests.support.gauge_data import gaskets, houf_berman, sirstv, yarns

FOUR = (Variation.REPEATABILITY, Variation.REPRODUCIBILITY, Variation.GAUGE, Variation.PARTS)


def components(study, **how):
    return gauge_by_anova(study, **how)[0]


#: Houf & Berman's data worked out by analysis of variance, jasp-stats/jasp-verification-project,
#: chapter 10: the same in five programs, one of them by hand. Printed to three decimals.
PRINTED = {
    Variation.REPEATABILITY: 0.511,
    Variation.OPERATOR: 0.565,
    Variation.INTERACTION: 0.728,
    Variation.REPRODUCIBILITY: 1.293,
    Variation.GAUGE: 1.804,
    Variation.PARTS: 48.293,
    Variation.TOTAL: 50.096,
}


@pytest.mark.parametrize("part", PRINTED, ids=str)
def test_houf_and_berman_components(part):
    assert components(houf_berman())[part].variance_mm2 == pytest.approx(PRINTED[part], abs=5e-4)


def test_houf_and_berman_shares():
    """The same chapter prints 3.60 % and 96.40 % of the variance."""
    result = components(houf_berman())
    assert result.contribution_percent(Variation.GAUGE) == pytest.approx(3.60, abs=5e-3)
    assert result.contribution_percent(Variation.PARTS) == pytest.approx(96.40, abs=5e-3)


def test_houf_and_berman_table():
    """Recomputed independently with numpy from the printed data (not in the chapter's excerpt)."""
    table = anova(houf_berman())
    assert [source.ss_mm2 for source in table.sources] == pytest.approx(
        [3935.95556, 39.26667, 48.51111, 30.66667], abs=5e-6
    )
    assert table.total_ss_mm2 == pytest.approx(4054.4, abs=5e-6)
    assert [source.ms_mm2 for source in table.sources] == pytest.approx(
        [437.32840, 19.63333, 2.69506, 0.51111], abs=5e-6
    )
    assert [source.dof for source in table.sources] == [9, 2, 18, 60]
    assert [source.f for source in table.sources[:3]] == pytest.approx(
        [162.270, 7.2849, 5.2729], abs=5e-4
    )
    assert table.pooled is None


def test_houf_and_berman_categories_have_no_root_over_the_ratio():
    """Recomputed: 18.9749 % of the spread; √2 σp/σg = 7.3177, 7 categories.

    A widespread form prints 1.41·√(PV/GRR), which would give 3 here.
    """
    result = components(houf_berman())
    assert result.study_percent(Variation.GAUGE) == pytest.approx(18.9749, abs=5e-5)
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
    assert result.study_percent(Variation.GAUGE) == pytest.approx(18.0672, rel=2e-4)


def test_gaskets_by_ranges():
    """SAS/QC's gasket data; recomputed with four-digit constants."""
    result, table = gauge_by_ranges(gaskets())
    read = (table.mean_range_mm, table.operator_difference_mm, table.part_range_mm)
    assert read == pytest.approx((0.038333, 0.06, 0.558333), abs=5e-7)
    assert [result[part].sd_mm for part in FOUR] == pytest.approx(
        [0.033971, 0.030453, 0.045622, 0.175652], rel=2e-4
    )
    assert result.study_percent(Variation.GAUGE) == pytest.approx(25.139, rel=2e-4)
    assert result.distinct == pytest.approx(5.43, abs=0.02)  # printed with 1.41 for √2
    assert result.categories == 5


def test_gaskets_by_analysis_of_variance():
    """Recomputed independently from SAS/QC's gasket data."""
    result = components(gaskets())
    parts = (Variation.REPEATABILITY, Variation.OPERATOR, Variation.INTERACTION, Variation.PARTS)
    assert [result[part].variance_mm2 for part in parts] == pytest.approx(
        [0.00129167, 0.00091204, 0.00223380, 0.03716435], abs=5e-9
    )
    assert result.contribution_percent(Variation.GAUGE) == pytest.approx(10.667, abs=5e-4)


def test_a_gauge_without_operators():
    """Gadim & Doniavi 2018 print 0.16 % of the variance; the rest is recomputed."""
    result = components(yarns())
    assert result.contribution_percent(Variation.GAUGE) == pytest.approx(0.16, abs=5e-3)
    assert result[Variation.REPEATABILITY].variance_mm2 == pytest.approx(2.371e-5, abs=5e-9)
    assert result[Variation.PARTS].variance_mm2 == pytest.approx(0.0144208, abs=5e-8)
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
        # The form at gagerandr.com: K1 = 1/d2, K2 and K3 = 1/d2* of one subgroup.
        (1 / d2_star(2, 10**9), 0.8862), (1 / d2_star(3, 10**9), 0.5908),
        (1 / d2_star(3, 1), 0.5231), (1 / d2_star(10, 1), 0.3146),
        # From memory: K2 of two operators, K3 of five parts.
        (1 / d2_star(2, 1), 0.7071), (1 / d2_star(5, 1), 0.4030),
    ],
)
def test_constants_of_averages_and_ranges(constant, printed):
    assert constant == pytest.approx(printed, abs=5.1e-5)


@pytest.mark.common_practice
def test_limits_of_ten_and_thirty_percent():
    """The trade's usual limits for a gauge's share; a convention."""
    said = [verdict(share).split(" (")[0] for share in (9.9, 10.0, 30.0, 30.1)]
    assert said == ["good", "may do", "may do", "not fit"]
