"""Analysis of variance of a gauge study: a second opinion, and what it must not depend on."""

from __future__ import annotations

from decimal import Decimal
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.cli.process.gauge_study import command
from labkit.errors import InputError
from labkit.qa.gauge.anova import CONFIDENCE, POOLING_LEVEL, anova, gauge_by_anova
from labkit.qa.gauge.ranges import gauge_by_ranges
from labkit.qa.gauge.result import Variation
from labkit.qa.gauge.study import Study
from tests.support.gauge_data import crossed, houf_berman


def simulated(seed, shape=(6, 3, 2), sds=(1.0, 0.2, 0.1, 0.1)):
    rng = np.random.default_rng(seed)
    p, o, _ = shape
    x = (rng.normal(0, sds[0], (p, 1, 1)) + rng.normal(0, sds[1], (1, o, 1))
         + rng.normal(0, sds[2], (p, o, 1)) + rng.normal(0, sds[3], shape))
    return crossed(np.round(30 + x, 3).tolist(), "abcdefgh"[:o])


@pytest.mark.parametrize("study", [houf_berman(), simulated(3), simulated(4, (3, 2, 5))])
def test_another_way_finds_the_same_table(study):
    """Recomputed with a library that fits the model with a mean of its own for each cell."""
    pandas = pytest.importorskip("pandas")
    formula = pytest.importorskip("statsmodels.formula.api")
    from statsmodels.stats.anova import anova_lm

    rows = [
        (p, o, float(value))
        for p, cells in zip(study.parts, study.values_mm, strict=True)
        for o, cell in zip(study.operators, cells, strict=True) for value in cell
    ]
    data = pandas.DataFrame(rows, columns=["p", "o", "y"])
    theirs = anova_lm(formula.ols("y ~ C(p) * C(o)", data).fit(), typ=2)
    ours = anova(study)
    assert [s.ss_mm2 for s in ours.sources] == pytest.approx(list(theirs["sum_sq"]), rel=1e-6)
    assert [s.dof for s in ours.sources] == list(theirs["df"])
    # Their fixed-effects model tests the interaction as ours does; the others against the error.
    assert ours.sources[2].p == pytest.approx(theirs["PR(>F)"].iloc[2], rel=1e-6)


def shares(result):
    return [100 * result.share_of_spread(c.part) for c in result.components]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(list(permutations(range(3)))),
       st.decimals("-500", "500", places=2), st.sampled_from(["0.001", "1000", "-1"]))
def test_nothing_depends_on_names_order_units_or_zero(seed, order, shift, factor):
    study = simulated(seed, (4, 3, 2))
    moved = Study(
        tuple(f"x{name}" for name in study.parts), tuple(study.operators[k] for k in order),
        tuple(tuple(tuple((v + shift) * Decimal(factor) for v in reversed(part[k])) for k in order)
              for part in study.values_mm),
    )
    for work in (lambda s: gauge_by_anova(s)[0], lambda s: gauge_by_ranges(s)[0]):
        before, after = work(study), work(moved)
        assert shares(after) == pytest.approx(shares(before), rel=1e-7, abs=1e-5)
        assert after[Variation.TOTAL].sd_mm == pytest.approx(
            before[Variation.TOTAL].sd_mm * abs(float(factor)), rel=1e-9
        )


def test_components_add_up():
    for seed in range(30):
        result, table = gauge_by_anova(simulated(seed))
        v = {c.part: c.variance_mm2 for c in result.components}
        gauge = v[Variation.REPEATABILITY] + v[Variation.REPRODUCIBILITY]
        assert v[Variation.GAUGE] == pytest.approx(gauge)
        assert v[Variation.TOTAL] == pytest.approx(v[Variation.GAUGE] + v[Variation.PARTS])
        assert (Variation.INTERACTION in v) == (table.pooled is None)
        assert sum(s.ss_mm2 for s in table.used) == pytest.approx(table.total_ss_mm2)
        assert sum(s.dof for s in table.used) == table.total_dof


def test_an_interaction_by_chance_is_pooled_and_said():
    study = simulated(1, (10, 3, 3), (1.0, 0.3, 0.0, 0.1))
    kept, whole = gauge_by_anova(study, level=1.0)
    pooled, table = gauge_by_anova(study, level=0.0)
    both, error = whole.sources[2:]
    rest = table.used[-1]
    assert whole.pooled is None
    assert rest.ss_mm2 == pytest.approx(both.ss_mm2 + error.ss_mm2)
    assert rest.dof == both.dof + error.dof
    assert table.used[0].f == pytest.approx(table.used[0].ms_mm2 / rest.ms_mm2)
    assert "is pooled with `same person, same rod`" in pooled.notes[0]
    assert "is kept apart" in kept.notes[0]
    assert (pooled.repeatability_dof, kept.repeatability_dof) == (78, 60)


def test_the_level_decides_between_keeping_and_pooling():
    study = simulated(5)
    p = anova(study).interaction_p
    assert anova(study, p + 1e-9).pooled is None
    assert anova(study, p - 1e-9).pooled is not None
    for level in (-0.1, 1.1):
        with pytest.raises(InputError, match="from 0 to 1"):
            anova(study, level)


def test_a_negative_variance_is_set_to_zero_and_said():
    # Operators whose means agree exactly, while single readings scatter.
    study = crossed(
        [[[30 + k, 30.4 + k], [30.4 + k, 30 + k]] for k in range(4)], ("a", "b")
    )
    result, _ = gauge_by_anova(study)
    assert result[Variation.OPERATOR].variance_mm2 == 0
    assert any("`alike on every rod` came out below zero" in note for note in result.notes)
    ranges, _ = gauge_by_ranges(study)
    assert ranges[Variation.REPRODUCIBILITY].variance_mm2 == 0
    assert any("`another person adds` came out below zero" in note for note in ranges.notes)


def test_trials_that_never_differ_give_exactly_no_repeatability():
    study = crossed([[[30.1 + k] * 3, [30.1 + k] * 3] for k in range(4)], ("a", "b"))
    result, table = gauge_by_anova(study)
    assert [s.ss_mm2 for s in table.sources[1:]] == [0, 0, 0]
    assert (table.sources[0].f, table.sources[0].p) == (float("inf"), 0)
    assert (table.sources[2].f, table.sources[2].p) == (0, 1)
    assert (result[Variation.GAUGE].sd_mm, result.distinct, result.categories) == (0, None, None)
    assert result.categories_interval is None


def test_equal_parts_have_no_categories():
    study = crossed([[[30.1, 30.2], [30.2, 30.1]]] * 4, ("a", "b"))
    result, _ = gauge_by_anova(study)
    assert result[Variation.PARTS].variance_mm2 == 0
    assert (result.categories, result.share_of_spread(Variation.GAUGE)) == (0, 1)


def test_the_usual_level_of_pooling_is_a_quarter():
    shown = {part.name: part.default for part in command.params}
    assert shown["level"] == POOLING_LEVEL == 0.25
    assert shown["confidence"] == CONFIDENCE == 0.95
