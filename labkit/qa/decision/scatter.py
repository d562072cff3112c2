"""How far the readings of one rod may scatter: their range against the gauge's repeatability."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from labkit.errors import InputError

#: One rod in a thousand has good readings that scatter as far as this.
SCATTER_PROBABILITY = 0.999
#: Where the normal density is cut off, and points of the quadrature.
_REACH, _POINTS = 9.0, 4001
_HALVINGS = 60


def range_probability(width: float, readings: int) -> float:
    """Give the probability that the range of several normal readings stays within a width.

    Formula: P(W ≤ w) = n ∫ φ(z) [Φ(z + w) − Φ(z)]ⁿ⁻¹ dz, w in standard deviations.

    Args:
        readings: Number n of readings, 2 or more.

    Validity: independent normal readings of one standard deviation that is known.

    Raises:
        InputError: Fewer than two readings, or a width below 0.

    >>> round(range_probability(3.314, 3), 3)
    0.95

    Source: distribution of the range, E. S. Pearson and H. O. Hartley, Biometrika 32 (1942) 301.
    """
    if readings < 2 or not width >= 0:
        raise InputError(
            f"the range of {readings} readings within {width} has no probability; give two "
            "readings or more and a width of 0 or more",
            field="readings", value=readings,
        )
    from scipy.special import ndtr

    z = np.linspace(-_REACH - width, _REACH, _POINTS)
    density = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    inside = density * (ndtr(z + width) - ndtr(z)) ** (readings - 1)
    return min(1.0, readings * float(np.trapezoid(inside, z)))


def range_limit_mm(sd_mm: float, readings: int, probability: float = SCATTER_PROBABILITY) -> float:
    """Give the range that the readings of one rod exceed in one case out of a thousand only.

    Validity: as for `range_probability`.

    Raises:
        InputError: A standard deviation or a probability that cannot be.

    >>> round(range_limit_mm(0.01, 2), 4), round(range_limit_mm(0.01, 3), 4)
    (0.0465, 0.0506)
    """
    if not (math.isfinite(sd_mm) and sd_mm > 0 and 0 < probability < 1):
        raise InputError(
            f"readings with a standard deviation of {sd_mm} mm have no limit at {probability}; "
            "give a standard deviation above 0 and a probability between 0 and 1",
            field="sd_mm", value=sd_mm,
        )
    return _limit(readings, probability) * sd_mm


@cache
def _limit(readings: int, probability: float) -> float:
    """Halve an interval until the range of that probability is found, in standard deviations."""
    low, high = 0.0, 2 * _REACH
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if range_probability(middle, readings) < probability:
            low = middle
        else:
            high = middle
    return high
