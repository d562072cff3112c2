"""The chart of individual values and moving ranges, and the constants of ranges."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr, pdtrc

from labkit.errors import InputError, RefusedError
from labkit.qa.process.groups import finite
from labkit.qa.process.run_rules import USUAL, Rule, Signal, run_rules

#: Fewer give no moving range that could be compared with another.
LEAST_VALUES = 3
#: Limits from fewer values are themselves uncertain by more than about a tenth.
FEW_VALUES = 30
#: A chart needs this many different values, or it shows the steps of the gauge.
LEAST_DIFFERENT = 5
MOST_IN_SUBGROUP = 100
#: How often a moving range of a stable normal process lies above D4·MR̄: 2 Φ(−D4 d2/√2).
RANGE_RATE = 0.0091522
#: Grid of the integrals, in standard deviations: good for nine digits.
_REACH, _LARGEST_RANGE, _POINTS = 9.0, 14.0, 801


@dataclass(frozen=True)
class Individuals:
    """A chart of individual values and their moving ranges.

    Args:
        values: The values, in the order in which they were made.
        sigma: Standard deviation from one value to the next: mean moving range / d2(2).
        lower: Lower limit, centre − 3 sigma.
        upper: Upper limit, centre + 3 sigma.
        moving_ranges: |difference| of neighbours, one fewer than values.
        range_upper: Upper limit of the moving range; the lower one is 0.
        signals: What the run rules find, moving ranges above their limit at the end.
    """

    values: tuple[float, ...]
    centre: float
    sigma: float
    lower: float
    upper: float
    moving_ranges: tuple[float, ...]
    mean_range: float
    range_upper: float
    signals: tuple[Signal, ...]

    @property
    def is_stable(self) -> bool:
        """Whether no rule found anything."""
        return not self.signals

    @property
    def is_coarse(self) -> bool:
        """Whether the values take so few different amounts that the gauge's step shows."""
        return len(set(self.values)) < LEAST_DIFFERENT <= len(self.values)


def individuals(values: ArrayLike, rules: Sequence[Rule] = USUAL) -> Individuals:
    """Make the chart of individual values and moving ranges.

    Formula: σ = MR̄/d2(2); limits x̄ ± 3σ; upper limit of the moving range D4(2)·MR̄.

    Args:
        values: At least three values in the order in which they were made, any unit.

    Validity: Values that follow each other independently. Moving ranges depend on their neighbours,
    so they are only compared with their limit.

    Raises:
        InputError: A value is not finite.
        RefusedError: Fewer than three values, or all are the same.

    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.upper, 2), round(chart.lower, 2)
    (50.81, 55.8, 45.82)

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    x = finite(values, " on the chart")
    if len(x) < LEAST_VALUES:
        raise RefusedError(
            f"a chart of individual values needs at least {LEAST_VALUES} values and has {len(x)}; "
            "measure more rods, or ask for a wider selection", field="values", value=len(x),
        )
    ranges = np.abs(np.diff(x))
    centre, mean_range = float(x.mean()), float(ranges.mean())
    sigma = mean_range / d2(2)
    signals = run_rules(x, centre, sigma, rules)
    range_upper = D4(2) * mean_range
    return Individuals(
        values=tuple(x.tolist()),
        centre=centre,
        sigma=sigma,
        lower=centre - 3 * sigma,
        upper=centre + 3 * sigma,
        moving_ranges=tuple(ranges.tolist()),
        mean_range=mean_range,
        range_upper=range_upper,
        signals=(*signals, *_range_signals(ranges, range_upper)),
    )


def _range_signals(ranges: NDArray[np.float64], upper: float) -> tuple[Signal, ...]:
    return tuple(
        Signal(
            "moving-range", int(i) + 1,
            f"points {i + 1} and {i + 2} differ by {ranges[i]:.4g}, more than the limit of the "
            f"moving range {upper:.4g}",
            int(i), int(i) + 1,
        )
        for i in np.flatnonzero(ranges > upper)
    )


def chance_of_signals(count: int, n: int, rules: Sequence[Rule] = USUAL) -> float:
    """Give the chance of at least so many signals on a chart of a stable process.

    Formula: Poisson with mean Σ (n − points + 1) rate over the rules and the moving range.

    Validity: Signals come in clusters and limits are estimated, so chances above a tenth come out
    too high; near 5 % it agrees with simulated charts of 30 to 100 values. It tells a few stray
    signals from a process that moves.

    >>> round(chance_of_signals(1, 50), 2), chance_of_signals(0, 50)
    (0.74, 1.0)
    """
    mean = sum(max(0, n - rule.points + 1) * rule.rate for rule in rules) + (n - 1) * RANGE_RATE
    return float(pdtrc(count - 1, mean)) if count else 1.0


@lru_cache(maxsize=256)
def d2(n: int) -> float:
    """Give the mean range of n standard normal values.

    Formula: d2 = ∫ P(R > r) dr, P(R ≤ r) = n ∫ φ(x) (Φ(x + r) − Φ(x))ⁿ⁻¹ dx.

    Args:
        n: Values in a subgroup, from 2 to 100.

    Raises:
        InputError: n is outside its range.

    >>> round(d2(2), 4), round(d2(5), 4)
    (1.1284, 2.3259)

    Source: L. H. C. Tippett, Biometrika 17 (1925) 364.
    """
    r, beyond = _ranges_beyond(n)
    return _simpson(beyond, r)


@lru_cache(maxsize=256)
def d3(n: int) -> float:
    """Give the standard deviation of the range of n standard normal values.

    Formula: d3² = ∫ 2 r P(R > r) dr − d2², P as for d2.

    Raises:
        InputError: n is outside its range.

    >>> round(d3(2), 4), round(d3(3), 4)
    (0.8525, 0.8884)

    Source: L. H. C. Tippett, Biometrika 17 (1925) 364.
    """
    r, beyond = _ranges_beyond(n)
    return math.sqrt(_simpson(2.0 * r * beyond, r) - d2(n) ** 2)


def D4(n: int) -> float:  # noqa: N802
    """Give the factor from the mean range to its upper limit: 1 + 3 d3/d2.

    >>> round(D4(2), 3), round(D4(3), 2)
    (3.267, 2.57)
    """
    return 1.0 + 3.0 * d3(n) / d2(n)


def c4(n: float) -> float:
    """Give the mean of the standard deviation of n normal values with standard deviation 1.

    Formula: c4 = √(2/(n − 1)) Γ(n/2)/Γ((n − 1)/2).

    Args:
        n: Number of values, above 1; one more than the degrees of freedom.

    >>> round(c4(2), 4)
    0.7979

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.
    """
    if not n > 1:
        raise InputError(f"c4 was asked for {n} values; it needs more than one", field="n", value=n)
    return math.sqrt(2.0 / (n - 1.0)) * math.exp(float(gammaln(n / 2.0) - gammaln((n - 1.0) / 2.0)))


@lru_cache(maxsize=256)
def _ranges_beyond(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give r and the probability that the range of n standard normal values is larger."""
    if not 2 <= n <= MOST_IN_SUBGROUP:
        raise InputError(
            f"a constant for subgroups of {n} was asked for; sizes go from 2 to "
            f"{MOST_IN_SUBGROUP}", field="n", value=n,
        )
    r = np.linspace(0.0, _LARGEST_RANGE, _POINTS)
    x = np.linspace(-_REACH, _REACH, _POINTS)
    between = ndtr(x[None, :] + r[:, None]) - ndtr(x)[None, :]
    density = n * np.exp(-(x**2) / 2.0) / math.sqrt(2.0 * math.pi)
    return r, 1.0 - (between ** (n - 1)) @ density * float(x[1] - x[0])


def _simpson(values: NDArray[np.float64], at: NDArray[np.float64]) -> float:
    """Integrate over an even number of equal steps."""
    inner = 4.0 * values[1:-1:2].sum() + 2.0 * values[2:-1:2].sum()
    return float((values[0] + inner + values[-1]) * (at[1] - at[0]) / 3.0)
