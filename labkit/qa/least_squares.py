"""Linear least squares in exact fractions: nothing is rounded before the last step."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from labkit.core.numbers import Finite
from labkit.errors import InputError
from labkit.qa.uncertainty import COVERAGE, coverage_factor

Value = int | float | Decimal | Fraction


@dataclass(frozen=True)
class Estimate:
    """A value with its confidence interval."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Tested(Estimate):
    """An estimate held against 0.

    Args:
        p: Probability of one so far from 0 by chance alone.
    """

    p: float


def tested(value: float, error: float, dof: float, confidence: float) -> Tested:
    """Give a value with its interval and the probability of it by chance.

    Formula: value ± t · error; p = P(|t| ≥ |value| / error). Without any error a value that is not
    0 is beyond chance.

    Args:
        error: Its standard error, with so many degrees of freedom.
    """
    half = coverage_factor(dof, confidence) * error
    p = t_tail(value / error, dof) if error else float(not value)
    return Tested(value, value - half, value + half, p)


@dataclass(frozen=True)
class Fit(Finite):
    """A linear model y = X b + e, fitted with equal weights.

    Args:
        coefficients: b, one for each column of X.
        residuals: Measured minus fitted, one for each row.
        regression_ss: Sum of squares that the model explains: about the mean with an intercept,
            about zero without one.
        dof: Rows less columns.
    """

    coefficients: tuple[float, ...]
    unscaled: tuple[tuple[float, ...], ...]
    residuals: tuple[float, ...]
    leverages: tuple[float, ...]
    residual_ss: float
    regression_ss: float
    dof: int

    @property
    def residual_sd(self) -> float:
        """Standard deviation about the fit: √(residual sum of squares / degrees of freedom)."""
        return math.sqrt(self.residual_ss / self.dof)

    @property
    def covariance(self) -> tuple[tuple[float, ...], ...]:
        """Covariance matrix of the coefficients."""
        s2 = self.residual_ss / self.dof
        return tuple(tuple(s2 * value for value in row) for row in self.unscaled)

    @property
    def standard_deviations(self) -> tuple[float, ...]:
        """Standard deviations of the coefficients."""
        s = self.residual_sd
        return tuple(s * math.sqrt(row[place]) for place, row in enumerate(self.unscaled))

    @property
    def r_squared(self) -> float:
        """Explained part of the sum of squares; 1 where there is nothing to explain."""
        total = self.regression_ss + self.residual_ss
        return self.regression_ss / total if total else 1.0

    def estimate(self, place: int, confidence: float = COVERAGE) -> Tested:
        """Give one coefficient, counted from 0, with its interval."""
        error = self.standard_deviations[place]
        return tested(self.coefficients[place], error, self.dof, confidence)

    def mean_sd(self, row: Sequence[float]) -> float:
        """Standard deviation of the fitted mean at one row of X.

        Returns:
            √(row · covariance · rowᵀ), in the unit of y.
        """
        products = (
            a * b * self.unscaled[i][j] for i, a in enumerate(row) for j, b in enumerate(row)
        )
        return self.residual_sd * math.sqrt(max(0.0, math.fsum(products)))


def fit_linear(
    rows: Sequence[Sequence[Value]], measured: Sequence[Value], *, intercept: bool
) -> Fit:
    """Fit a linear model by least squares.

    Formula: b = (XᵀX)⁻¹ Xᵀ y, solved in fractions of whole numbers, so that even columns that are
    almost dependent lose no digit. A Decimal counts as exactly what is written.

    Args:
        rows: X, row by row; the model's columns, also that of the intercept.
        measured: y, as many as there are rows.
        intercept: Whether the columns hold a constant; it decides what R² and F compare with.

    Validity: up to some thousands of rows and a dozen columns; the time grows with the digits.

    Raises:
        InputError: Not more rows than columns, a number that is not finite, or columns that
            depend on each other.

    >>> fit = fit_linear([[1, 0], [1, 1], [1, 2], [1, 3]], [1, 3, 5, 8], intercept=True)
    >>> [round(b, 12) for b in fit.coefficients], round(fit.residual_sd, 12), fit.dof
    ([0.8, 2.3], 0.387298334621, 2)

    Source: ordinary least squares with equal weights; checked against certified values in
    tests/reference/test_strd_regression.py.
    """
    import numpy as np

    # Arrays of fractions: their products are exact, too.
    x = np.array([[_exact(value) for value in row] for row in rows], dtype=object)
    y = np.array([_exact(value) for value in measured], dtype=object)
    width = len(x[0]) if len(x) else 0
    if len(x) != len(y) or len(x) <= width:
        raise InputError(
            f"{len(x)} rows and {len(y)} measured values do not fix {width} coefficients; there "
            "must be as many values as rows, and more of them than coefficients", field="rows",
        )
    inverse = np.array(_inverse((x.T @ x).tolist()), dtype=object)
    b = inverse @ (x.T @ y)
    residuals = y - x @ b
    residual_ss = residuals @ residuals
    total = _about_mean(y) if intercept else y @ y
    return Fit(
        coefficients=tuple(map(float, b)),
        unscaled=tuple(tuple(map(float, row)) for row in inverse),
        residuals=tuple(map(float, residuals)),
        leverages=tuple(map(float, ((x @ inverse) * x).sum(axis=1))),
        residual_ss=float(residual_ss),
        regression_ss=float(total - residual_ss),
        dof=len(x) - width,
    )


def fit_line(x: Sequence[Value], y: Sequence[Value]) -> Fit:
    """Fit the straight line y = b₀ + b₁ x.

    Raises:
        InputError: Fewer than three points, or all at one place.
    """
    return fit_linear([[1, value] for value in x], y, intercept=True)


@dataclass(frozen=True)
class LackOfFit:
    """Whether a model misses something that repeated measurements can tell.

    Args:
        lack_ss, lack_dof: Sum of squares of the places' means about the fit.
        pure_ss, pure_dof: Sum of squares of single values about their place's mean.
        f: Their mean squares' ratio; infinite where repeated values agree exactly.
    """

    lack_ss: float
    lack_dof: int
    pure_ss: float
    pure_dof: int
    f: float
    p: float


def lack_of_fit(places: Sequence[Value], measured: Sequence[Value], fit: Fit) -> LackOfFit | None:
    """Test a fit against the scatter of repeated measurements.

    Formula: F = (lack sum of squares / (m − p)) / (pure sum of squares / (n − m)) for n values at m
    places and p coefficients.

    Returns:
        The test, None where there are no repeats or not more places than coefficients.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6 (from memory).
    """
    groups: dict[Fraction, list[Fraction]] = defaultdict(list)
    for place, value in zip(places, measured, strict=True):
        groups[_exact(place)].append(_exact(value))
    pure_dof = len(measured) - len(groups)
    lack_dof = fit.dof - pure_dof
    if pure_dof < 1 or lack_dof < 1:
        return None
    pure = float(sum((_about_mean(values) for values in groups.values()), Fraction(0)))
    lack = max(0.0, fit.residual_ss - pure)
    at_no_scatter = math.inf if lack else 0.0
    f = (lack / lack_dof) / (pure / pure_dof) if pure else at_no_scatter
    return LackOfFit(lack, lack_dof, pure, pure_dof, f, f_tail(f, lack_dof, pure_dof))


def t_tail(t: float, dof: float) -> float:
    """Give the probability that |Student's t| is at least |t|."""
    from scipy.special import stdtr

    return float(2 * stdtr(dof, -abs(t)))


def f_tail(f: float, dof1: float, dof2: float) -> float:
    """Give the probability that an F ratio is at least f."""
    from scipy.special import fdtrc

    return 0.0 if math.isinf(f) else float(fdtrc(dof1, dof2, f))


def _exact(value: Value) -> Fraction:
    try:
        return Fraction(value)
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"{value} is not a finite number; a fit takes finite numbers only", value=value
        ) from error


def _about_mean(values: Collection[Fraction]) -> Fraction:
    mean = sum(values, Fraction(0)) / len(values)
    return sum(((value - mean) ** 2 for value in values), Fraction(0))


def _inverse(matrix: list[list[Fraction]]) -> list[list[Fraction]]:
    """Invert by elimination; exact, so that any pivot that is not zero will do."""
    size = len(matrix)
    work = [[*row, *(Fraction(int(i == j)) for j in range(size))] for i, row in enumerate(matrix)]
    for column in range(size):
        pivot = next((i for i in range(column, size) if work[i][column]), None)
        if pivot is None:
            raise InputError(
                "the columns of the model depend on each other, so that its coefficients are not "
                "fixed; measure at more different places", field="rows",
            )
        work[column], work[pivot] = work[pivot], work[column]
        head = work[column][column]
        work[column] = [value / head for value in work[column]]
        for i, row in enumerate(work):
            if i != column and row[column]:
                work[i] = [a - row[column] * b for a, b in zip(row, work[column], strict=True)]
    return [row[size:] for row in work]
