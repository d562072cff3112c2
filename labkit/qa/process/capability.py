"""Capability of a process: what its spread leaves of the tolerance, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, ndtri

from labkit.core.numbers import require_finite
from labkit.errors import InputError, RefusedError
from labkit.qa.least_squares import Estimate
from labkit.qa.process.control_chart import d2
from labkit.qa.process.groups import Values, finite, grouped
from labkit.qa.process.normality import share_outside

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Limits:
    """What the values shall keep."""

    lower: float | None
    upper: float | None
    target: float | None = None

    def __post_init__(self) -> None:
        require_finite(self)
        if self.lower is None and self.upper is None:
            raise InputError(
                "capability needs a limit to hold the values against; give a lower limit, an upper "
                "limit or both", field="limits",
            )
        ends = [x for x in (self.lower, self.target, self.upper) if x is not None]
        if any(not a < b for a, b in pairwise(ends)):
            raise InputError(
                f"the limits {' … '.join(f'{end:g}' for end in ends)} are not in order; the lower "
                "limit lies below the target, the upper limit above", field="limits",
            )

    @property
    def width(self) -> float | None:
        """Upper minus lower limit, None with one limit."""
        return None if self.lower is None or self.upper is None else self.upper - self.lower


@dataclass(frozen=True)
class Spread:
    """A standard deviation.

    Args:
        basis: From what it was found, in words.
    """

    sd: float
    dof: float
    basis: str


@dataclass(frozen=True)
class Indices:
    """Indices of one spread.

    Args:
        of_width: Cp or Pp, what a centred process would reach; None with one limit.
        to_lower: Distance of the mean to the lower limit in units of 3 sd, None without it.
        of_nearer: Cpk or Ppk, the smaller of the two.
        below: Share of a normal population below the lower limit.
        above: Share above the upper limit.
    """

    spread: Spread
    of_width: Estimate | None
    to_lower: float | None
    to_upper: float | None
    of_nearer: Estimate
    below: float
    above: float

    @property
    def outside(self) -> float:
        """Share of a normal population outside the limits."""
        return self.below + self.above


@dataclass(frozen=True)
class Capability:
    """What a process can do.

    Args:
        inherent: Cp and Cpk of the inherent spread: from one value to the next or inside subgroups;
            None for two values.
        total: Pp and Ppk of the total spread, that of all values.
        confidence: Of all intervals, two-sided.
        cpm: None without a target or with one limit.
    """

    n: int
    mean: float
    lowest: float
    highest: float
    limits: Limits
    confidence: float
    inherent: Indices | None
    total: Indices
    cpm: Estimate | None
    counted_below: int
    counted_above: int


def capability(
    values: ArrayLike,
    limits: Limits,
    subgroups: Sequence[Hashable] | None = None,
    confidence: float = CONFIDENCE,
) -> Capability:
    """Work out the capability indices of a process with their confidence intervals.

    Formula: Cp = (U − L)/(6σ), Cpk = min(x̄ − L, U − x̄)/(3σ) with σ inherent; Pp, Ppk with the
    standard deviation of all values; Cpm = (U − L)/(6 √(s² + (x̄ − T)²)).

    Args:
        values: At least two values that differ, in the order in which they were made, any unit.
        subgroups: A mark for each value; those of one mark were made under the same conditions.
            None: the inherent spread is that of neighbours.
        confidence: Of the intervals, above 0 and below 1.

    Returns:
        Indices, shares outside and what was counted outside.

    Validity: A stable process with normal values; the intervals of Cpk and Ppk are good from about
    25 values. The spread from moving ranges counts with the degrees of freedom that a standard
    deviation of the same certainty has (about 0.61 (n − 1)).

    Raises:
        InputError: A value is not finite, or there are not as many marks as values.
        RefusedError: Too few values, or they do not differ.

    >>> found = capability([9.8, 10.1, 10.0, 9.9, 10.2], Limits(9.4, 10.6))
    >>> round(found.total.of_width.value, 3), round(found.total.of_nearer.value, 3)
    (1.265, 1.265)

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6; ISO 22514-2.
    """
    x = _checked(values, confidence)
    total, inherent = total_spread(x), _inherent_spread(x, subgroups)
    n, mean = len(x), float(x.mean())
    return Capability(
        n=n,
        mean=mean,
        lowest=float(x.min()),
        highest=float(x.max()),
        limits=limits,
        confidence=confidence,
        inherent=None if inherent is None else indices(n, mean, inherent, limits, confidence),
        total=indices(n, mean, total, limits, confidence),
        cpm=_target_index(n, mean, total.sd, limits, confidence),
        counted_below=0 if limits.lower is None else int((x < limits.lower).sum()),
        counted_above=0 if limits.upper is None else int((x > limits.upper).sum()),
    )


def _checked(values: ArrayLike, confidence: float) -> Values:
    x = finite(values)
    if not 0.0 < confidence < 1.0:
        raise InputError(
            f"the confidence {confidence} lies outside 0 to 1; give one such as 0.95",
            field="confidence", value=confidence,
        )
    return x


def _inherent_spread(x: Values, subgroups: Sequence[Hashable] | None) -> Spread | None:
    if subgroups is not None:
        return pooled_spread(x, subgroups)
    return moving_range_spread(x) if len(x) > 2 else None


def total_spread(x: Values) -> Spread:
    """Give the standard deviation of all values."""
    if len(x) < 2:
        raise RefusedError(
            f"capability needs at least 2 values and there {'is' if len(x) == 1 else 'are'} "
            f"{len(x)}; measure more rods, or ask for a wider selection",
            field="values", value=len(x),
        )
    if not float(np.ptp(x)) > 0.0:
        raise RefusedError(
            f"all {len(x)} values are {x[0]:.5g}, so they have no spread to judge; measure with a "
            "finer gauge", field="values", value=float(x[0]),
        )
    return Spread(float(x.std(ddof=1)), len(x) - 1, "all values")


def moving_range_spread(x: Values) -> Spread:
    """Give the standard deviation from one value to the next: mean moving range / d2(2).

    Its degrees of freedom are those of a standard deviation with the same relative variance,
    1/(2 v) + 1/4 with v = Var(MR̄)/E(MR̄)². Neighbouring moving ranges share a value, so they are
    correlated: Cov = (4/π)(√3/2 + π/12) − 4/π for unit variance.
    """
    n = len(x)
    single = 2.0 - 4.0 / math.pi
    shared = (4.0 / math.pi) * (math.sqrt(3.0) / 2.0 + math.pi / 12.0 - 1.0)
    variance = single / (n - 1) + 2.0 * (n - 2) / (n - 1) ** 2 * shared
    dof = 1.0 / (2.0 * variance / d2(2) ** 2) + 0.25
    return Spread(float(np.abs(np.diff(x)).mean()) / d2(2), dof, "moving ranges of neighbours")


def pooled_spread(x: Values, subgroups: Sequence[Hashable]) -> Spread:
    """Give the standard deviation inside subgroups, pooled: √(Σ (nᵢ − 1) sᵢ² / Σ (nᵢ − 1))."""
    if len(subgroups) != len(x):
        raise InputError(
            f"{len(subgroups)} marks of subgroups were given for {len(x)} values; give each value "
            "one", field="subgroups",
        )
    parts = list(grouped(x, subgroups).values())
    dof = sum(len(part) - 1 for part in parts)
    if dof < 1:
        raise RefusedError(
            "every subgroup has one value, so there is no spread inside them; choose a wider mark, "
            "or leave subgroups out", field="subgroups",
        )
    squares = sum(float(np.sum((part - part.mean()) ** 2)) for part in parts)
    if not squares > 0.0:
        raise RefusedError(
            "the values inside each subgroup are the same, so there is no spread inside them; "
            "measure with a finer gauge, or leave subgroups out", field="subgroups",
        )
    return Spread(math.sqrt(squares / dof), dof, f"{len(parts)} subgroups, pooled")


def indices(n: int, mean: float, spread: Spread, limits: Limits, confidence: float) -> Indices:
    """Work out the indices of one spread.

    Formula: Cp between Cp √(χ²(α/2; ν)/ν) and Cp √(χ²(1 − α/2; ν)/ν), exact for an s of ν degrees
    of freedom; Cpk ± z √(1/(9n) + Cpk²/(2ν)).

    Source: Y. Chou, D. B. Owen, S. A. Borrego, J. Quality Technology 22 (1990) 223, for Cp;
    A. F. Bissell, Applied Statistics 39 (1990) 331, for Cpk.
    """
    sd = spread.sd
    to_lower = None if limits.lower is None else (mean - limits.lower) / (3.0 * sd)
    to_upper = None if limits.upper is None else (limits.upper - mean) / (3.0 * sd)
    nearest = min(side for side in (to_lower, to_upper) if side is not None)
    z = float(ndtri((1.0 + confidence) / 2.0))
    half = z * math.sqrt(1.0 / (9.0 * n) + nearest**2 / (2.0 * spread.dof))
    width = limits.width
    below, above = share_outside(mean, sd, limits.lower, limits.upper)
    return Indices(
        spread=spread,
        of_width=None if width is None else _scaled(width / (6.0 * sd), spread.dof, confidence),
        to_lower=to_lower,
        to_upper=to_upper,
        of_nearer=Estimate(nearest, nearest - half, nearest + half),
        below=below,
        above=above,
    )


def _scaled(value: float, dof: float, confidence: float) -> Estimate:
    """Give the interval of an index that goes as 1/s."""
    tail = (1.0 - confidence) / 2.0
    low, high = (math.sqrt(float(chdtri(dof, p)) / dof) for p in (1.0 - tail, tail))
    return Estimate(value, value * low, value * high)


def _target_index(
    n: int, mean: float, sd: float, limits: Limits, confidence: float
) -> Estimate | None:
    """Work out Cpm; its degrees of freedom are n (1 + ξ²)²/(1 + 2ξ²), ξ = (x̄ − T)/s (Boyles)."""
    if limits.width is None or limits.target is None:
        return None
    off = (mean - limits.target) / sd
    value = limits.width / (6.0 * sd * math.sqrt(1.0 + off**2))
    return _scaled(value, n * (1.0 + off**2) ** 2 / (1.0 + 2.0 * off**2), confidence)
