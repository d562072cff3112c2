"""Least squares: what it refuses, and answers that follow from the data by hand."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.errors import InputError
from labkit.qa.least_squares import fit_line, fit_linear, lack_of_fit

NUMBERS = st.integers(-10_000, 10_000).map(lambda n: Decimal(n) / 1000)


def test_a_line_by_hand():
    """x 0 1 2 3, y 1 3 5 8: slope 11.5/5, residuals 0.2 −0.1 −0.4 0.3, their squares 0.3."""
    fit = fit_line([0, 1, 2, 3], [1, 3, 5, 8])
    assert fit.coefficients == pytest.approx((0.8, 2.3), abs=1e-15)
    assert fit.residuals == pytest.approx((0.2, -0.1, -0.4, 0.3), abs=1e-15)
    assert fit.residual_ss == pytest.approx(0.3, abs=1e-15)
    assert fit.standard_deviations[1] == pytest.approx(math.sqrt(0.15 / 5), abs=1e-15)
    assert fit.leverages == pytest.approx((0.7, 0.3, 0.3, 0.7), abs=1e-15)
    assert sum(fit.leverages) == pytest.approx(2)
    assert fit.mean_sd((1.0, 1.5)) == pytest.approx(math.sqrt(0.15 / 4), abs=1e-15)


@given(st.lists(st.tuples(NUMBERS, NUMBERS), min_size=4, max_size=12), NUMBERS, NUMBERS)
def test_adding_a_line_changes_its_coefficients_and_nothing_else(points, a, b):
    x, y = [p[0] for p in points], [p[1] for p in points]
    if len(set(x)) < 2:
        return
    before, after = fit_line(x, y), fit_line(x, [v + a + b * u for u, v in points])
    assert after.residuals == before.residuals
    assert after.coefficients == pytest.approx(
        (before.coefficients[0] + float(a), before.coefficients[1] + float(b)), rel=1e-9, abs=1e-9
    )


def test_a_perfect_fit_has_no_scatter_and_explains_all():
    fit = fit_line([1, 2, 3], [Decimal("0.1"), Decimal("0.2"), Decimal("0.3")])
    assert fit.residual_ss == 0
    assert fit.r_squared == 1


@pytest.mark.parametrize(
    ("rows", "measured", "words"),
    [
        ([[1, 0], [1, 1]], [1, 2], "do not fix"),
        ([], [], "do not fix"),
        ([[1, 0], [1, 1], [1, 2]], [1, 2], "as many values"),
        ([[1, 5], [1, 5], [1, 5]], [1, 2, 3], "depend on each other"),
        ([[1, 2, 3], [1, 4, 5], [1, 6, 7], [1, 8, 9]], [1, 2, 3, 4], "depend on each other"),
        ([[1, 0], [1, 1], [1, math.nan]], [1, 2, 3], "not a finite number"),
        ([[1, 0], [1, 1], [1, 2]], [1, 2, math.inf], "not a finite number"),
        ([[1, 0], [1, 1], [1, 2]], [1, 2, Decimal("NaN")], "not a finite number"),
    ],
)
def test_what_cannot_be_fitted_is_a_sentence(rows, measured, words):
    with pytest.raises(InputError, match=words):
        fit_linear(rows, measured, intercept=True)


def test_lack_of_fit_by_hand_and_where_it_cannot_be_told():
    """Means 1, 4, 3 at x 0, 1, 2: line 5/3 + x; lack 2 (4/9 + 16/9 + 4/9), pure 3 · 0.02."""
    x, y = [0, 0, 1, 1, 2, 2], [Decimal(v) / 10 for v in (9, 11, 39, 41, 29, 31)]
    found = lack_of_fit(x, y, fit_line(x, y))
    assert (found.lack_dof, found.pure_dof) == (1, 3)
    assert found.lack_ss == pytest.approx(2 * 24 / 9, rel=1e-12)
    assert found.pure_ss == pytest.approx(0.06, rel=1e-12)
    assert found.f == pytest.approx((48 / 9) / 0.02, rel=1e-12)
    assert found.p < 0.001
    assert lack_of_fit([0, 1, 2], [1, 2, 4], fit_line([0, 1, 2], [1, 2, 4])) is None
    assert lack_of_fit([0, 0, 1], [1, 2, 4], fit_line([0, 0, 1], [1, 2, 4])) is None
