"""How well values follow a normal distribution, and what the limits look like if they do not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, log_ndtr, ndtr, ndtri

from labkit.errors import RefusedError
from labkit.qa.process.groups import Values, finite

#: The formulas for the probability value hold from here.
LEAST_VALUES = 8
#: Below this chance the values are said not to follow a normal distribution.
DOUBTFUL = 0.05
#: From here the outer percentiles lie between values, not at the outermost one.
MANY_VALUES = 1000
#: Shares of a normal population beyond mean ± 3 standard deviations, and the middle.
_OUTER = (0.00135, 0.5, 0.99865)


@dataclass(frozen=True)
class Normality:
    """A test for a normal distribution.

    Args:
        statistic: Anderson–Darling A², adjusted for the number of values.
        skewness: Third moment: + for a long tail at the top.
        excess: Fourth moment less 3: + for heavy tails.
    """

    n: int
    statistic: float
    p: float
    skewness: float
    excess: float

    @property
    def is_doubtful(self) -> bool:
        """Whether the values do not look normal."""
        return self.p < DOUBTFUL


def normality(values: ArrayLike) -> Normality | None:
    """Test whether values follow a normal distribution of unknown mean and standard deviation.

    Formula: A² = −n − Σ (2i − 1)/n [ln Φ(zᵢ) + ln(1 − Φ(zₙ₊₁₋ᵢ))], A*² = A² (1 + 0.75/n + 2.25/n²).

    Returns:
        The test; None for fewer than eight values, about which it says nothing.

    Validity: Independent values of a stable process. Steps of the gauge wider than about half a
    standard deviation count as departures.

    Raises:
        InputError: A value is not finite.
        RefusedError: All values are the same.

    Source: R. B. D'Agostino, M. A. Stephens, Goodness-of-Fit Techniques (1986), table 4.9.
    """
    x = np.sort(finite(values))
    n = len(x)
    if n < LEAST_VALUES:
        return None
    z = _standard(x)
    weights = (2.0 * np.arange(1, n + 1) - 1.0) / n
    plain = -n - float(np.sum(weights * (log_ndtr(z) + log_ndtr(-z[::-1]))))
    adjusted = plain * (1.0 + 0.75 / n + 2.25 / n**2)
    moments = z * math.sqrt(n / (n - 1))
    return Normality(
        n, adjusted, _chance(adjusted), float(np.mean(moments**3)), float(np.mean(moments**4) - 3)
    )


def _chance(a: float) -> float:
    if a < 0.2:
        return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    if a < 0.34:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    if a < 0.6:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    # Beyond 13 the parabola would turn up again.
    return math.exp(1.2937 - 5.709 * min(a, 13.0) + 0.0186 * min(a, 13.0) ** 2)


@dataclass(frozen=True)
class ProbabilityPlot:
    """Points of a normal probability plot and the band in which a normal population stays.

    Args:
        fitted: Straight line: mean + quantile · standard deviation.
        lower: Lower edge of the band at each quantile.
    """

    values: Values
    quantiles: Values
    fitted: Values
    lower: Values
    upper: Values


def probability_plot(values: ArrayLike) -> ProbabilityPlot:
    """Place values on normal probability paper.

    Formula: the i-th of n values stands at Φ⁻¹((i − 0.5)/n); its band are quantiles of the i-th
    order statistic, beta(i, n + 1 − i), through the fitted normal distribution: 95 % for each point
    by itself.

    Raises:
        InputError: A value is not finite.
        RefusedError: Fewer than two values, or all are the same.

    Source: ISO 5479; order statistics of the uniform distribution.
    """
    x = np.sort(finite(values))
    n = len(x)
    _standard(x)
    i = np.arange(1, n + 1)
    mean, sd = float(x.mean()), float(x.std(ddof=1))
    q = ndtri((i - 0.5) / n)
    edges = [mean + sd * ndtri(betaincinv(i, n + 1 - i, p)) for p in (0.025, 0.975)]
    return ProbabilityPlot(x, q, mean + sd * q, edges[0], edges[1])


@dataclass(frozen=True)
class Percentiles:
    """Indices from percentiles of the values, without any assumption of a distribution.

    Args:
        low: Value that 0.135 % of the values lie below.
        high: Value that 0.135 % lie above.
        of_width: (upper limit − lower limit)/(high − low), None with one limit.
        of_nearer: The smaller of the ratios (upper limit − median)/(high − median) and
            (median − lower limit)/(median − low).
    """

    low: float
    middle: float
    high: float
    of_width: float | None
    of_nearer: float


def percentiles(values: ArrayLike, lower: float | None, upper: float | None) -> Percentiles:
    """Work out capability indices from percentiles, as is done where values are not normal.

    Formula: Pp = (U − L)/(Q99.865 − Q0.135), Ppk = min((U − Q50)/(Q99.865 − Q50), …).

    Validity: With fewer than about 1000 values the outer percentiles are the outermost values, and
    the indices are too good.

    Raises:
        InputError: A value is not finite.
        RefusedError: Fewer than two values, all are the same, or half of them are at one end.

    Source: ISO 22514-2 (percentile method); quantiles as proposed by Hazen.
    """
    x = finite(values)
    _standard(np.sort(x))
    low, middle, high = (float(q) for q in np.quantile(x, _OUTER, method="hazen"))
    ratios = []
    if lower is not None:
        ratios.append(_ratio(middle - lower, middle - low))
    if upper is not None:
        ratios.append(_ratio(upper - middle, high - middle))
    both = lower is not None and upper is not None
    of_width = _ratio(upper - lower, high - low) if both else None  # type: ignore[operator]
    return Percentiles(low, middle, high, of_width, min(ratios))


def share_outside(mean: float, sd: float, lower: float | None, upper: float | None) -> tuple[
    float, float
]:
    """Give the shares of a normal population below the lower and above the upper limit.

    >>> [round(share, 4) for share in share_outside(0.0, 1.0, -2.0, 3.0)]
    [0.0228, 0.0013]
    """
    below = 0.0 if lower is None else float(ndtr((lower - mean) / sd))
    above = 0.0 if upper is None else float(ndtr((mean - upper) / sd))
    return below, above


def _ratio(room: float, spread: float) -> float:
    if spread <= 0.0:
        raise RefusedError(
            "half of the values are equal, at one end, so percentiles give no index; measure "
            "with a finer gauge", field="values",
        )
    return room / spread


def _standard(x: Values) -> Values:
    if len(x) < 2:
        raise RefusedError(
            f"a spread needs at least 2 values and there is {len(x)}; measure more rods",
            field="values", value=len(x),
        )
    sd = float(x.std(ddof=1))
    if not sd > 0.0:
        raise RefusedError(
            f"all {len(x)} values are {x[0]:.5g}, so they have no spread; measure with a finer "
            "gauge", field="values", value=float(x[0]),
        )
    standard: Values = (x - x.mean()) / sd
    return standard
