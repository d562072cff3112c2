"""Least squares against certified values of NIST and against a second computation.

NIST Statistical Reference Datasets, linear regression: every certified quantity is met to the 15
digits that are printed (14 where the last one is rounded); `labkit calibrate` needs 9 of them.
"""

from __future__ import annotations

import numpy as np
import pytest

from labkit.qa.least_squares import fit_line, fit_linear, lack_of_fit
from tests.reference import strd_data

DATA = {
    name: getattr(strd_data, name)
    for name in ("NORRIS", "NOINT1", "NOINT2", "PONTIUS", "LONGLEY", "FILIP")
}
#: The certificates print 15 significant digits.
PRINTED = 2e-14


def _f_statistic(fit, intercept=True):
    """Mean square of the regression over that of the residuals."""
    columns = len(fit.coefficients) - intercept
    return (fit.regression_ss / columns) / (fit.residual_ss / fit.dof)


@pytest.mark.parametrize("name", DATA)
def test_every_certified_quantity_to_its_printed_digits(name):
    certified = DATA[name]
    fit = fit_linear(*certified.observations(), intercept=certified.intercept)
    for found, expected in (
        (fit.coefficients, certified.coefficients),
        (fit.standard_deviations, certified.deviations),
        (fit.residual_sd, certified.residual_sd),
        (fit.r_squared, certified.r_squared),
        (fit.regression_ss, certified.regression_ss),
        (fit.residual_ss, certified.residual_ss),
        (_f_statistic(fit, certified.intercept), certified.f),
    ):
        assert found == pytest.approx(expected, rel=PRINTED, abs=0)


def test_doubles_in_place_of_decimals_keep_nine_digits_of_norris():
    rows, y = strd_data.NORRIS.observations()
    fit = fit_line([float(x) for _, x in rows], [float(value) for value in y])
    assert fit.coefficients == pytest.approx(strd_data.NORRIS.coefficients, rel=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_another_way_finds_the_same(seed):
    """Recomputed with a library that works by orthogonal decomposition in doubles."""
    from statsmodels.api import OLS

    random = np.random.default_rng(seed)
    rows = np.column_stack([np.ones(30), random.normal(30, 8, 30), random.normal(0, 2, 30)])
    y = rows @ [0.3, 1.002, -0.04] + random.normal(0, 0.02, 30)
    ours, theirs = fit_linear(rows.tolist(), y.tolist(), intercept=True), OLS(y, rows).fit()
    influence = theirs.get_influence()
    close = {"rtol": 1e-9, "atol": 1e-12}
    np.testing.assert_allclose(ours.coefficients, theirs.params, **close)
    np.testing.assert_allclose(ours.standard_deviations, theirs.bse, **close)
    np.testing.assert_allclose(ours.covariance, theirs.cov_params(), **close)
    np.testing.assert_allclose(ours.r_squared, theirs.rsquared, **close)
    np.testing.assert_allclose(_f_statistic(ours), theirs.fvalue, rtol=1e-6)
    np.testing.assert_allclose(ours.leverages, influence.hat_matrix_diag, **close)
    np.testing.assert_allclose(ours.residuals, theirs.resid, rtol=1e-6, atol=1e-12)
    for place, (low, high) in enumerate(theirs.conf_int()):
        own = ours.estimate(place)
        np.testing.assert_allclose([own.lower, own.upper], [low, high], rtol=1e-8)
        assert own.p == pytest.approx(theirs.pvalues[place], rel=1e-6)
    at = [1.0, 40.0, 1.0]
    mean = theirs.get_prediction([at]).se_mean[0]
    assert ours.mean_sd(at) == pytest.approx(mean, rel=1e-8)


def test_lack_of_fit_is_the_comparison_with_a_mean_for_each_place():
    """Recomputed: the line compared with the model that has a mean of its own at each place."""
    from statsmodels.api import OLS
    from statsmodels.stats.anova import anova_lm

    random = np.random.default_rng(8)
    x = np.repeat([20.0, 30.0, 40.0, 50.0], 4)
    y = 0.01 + 1.001 * x + 3e-5 * (x - 35) ** 2 + random.normal(0, 0.01, x.size)
    line = OLS(y, np.column_stack([np.ones_like(x), x])).fit()
    places = OLS(y, (x[:, None] == np.unique(x)).astype(float)).fit()
    table = anova_lm(line, places)
    found = lack_of_fit(x.tolist(), y.tolist(), fit_line(x.tolist(), y.tolist()))
    assert (found.lack_dof, found.pure_dof) == (2, 12)
    assert found.f == pytest.approx(table["F"][1], rel=1e-8)
    assert found.p == pytest.approx(table["Pr(>F)"][1], rel=1e-8)
