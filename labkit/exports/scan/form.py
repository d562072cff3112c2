"""How a scanner's form error, smooth along a surface, shifts a length: by its wavelength."""

from __future__ import annotations

import math

import numpy as np

from labkit.exports.expected.base import Array
from labkit.exports.scan.fit import SurfaceFit

#: Wavelengths for which it is worked out, mm: from far below a bore to longer than any rod.
WAVELENGTHS_MM = tuple(2.0 ** (step / 2) for step in range(-1, 14))
#: Points of each fitting that stand for all: the error is smooth.
MOST_POINTS = 300
#: Distances of two points that differ by less than this are one: a hundredth of the shortest wave.
CLASS_MM = 0.005


def form_factors(
    ends: tuple[SurfaceFit, SurfaceFit], unit: Array, lean_factor: float
) -> tuple[tuple[float, float], ...]:
    """Give by how much a form error of standard deviation 1 shifts the length, by its wavelength.

    Formula: f² = g ρ gᵀ + lean², g = the length's derivatives by each point's error (both fits'
    least squares), ρ = sin(κ d) / (κ d), κ = 2π / λ, d the distance of two points of either end.

    Args:
        unit: Direction from the lower to the upper centre, as many numbers as fix a centre.
        lean_factor: The same for the bar's faces, from which the fittings' direction is known.

    Returns:
        Pairs of wavelength, mm, and factor (mm per mm).

    Validity: errors along the surface's normal, waves from every direction alike; what is longer
    than the rod is an error of the scale and belongs to the scanner's calibration.
    """
    points, rows = [], []
    for fit, sign in zip(ends, (-1.0, 1.0), strict=True):
        taken, change = fit.by_errors(MOST_POINTS)
        points.append(taken)
        rows.append(sign * unit @ change[: len(unit)])
    places, weights = np.concatenate(points), np.concatenate(rows)
    squares = (places**2).sum(axis=1)
    apart = np.sqrt(np.maximum(
        squares[:, None] + squares[None, :] - 2.0 * places @ places.T, 0.0
    ))
    # Pairs equally far apart are summed at once.
    which = (apart / CLASS_MM).astype(np.intp).ravel()
    sums = np.bincount(which, np.outer(weights, weights).ravel())
    middles = (np.arange(len(sums)) + 0.5) * CLASS_MM
    squared = [max(float(sums @ np.sinc(2.0 * middles / wave)), 0.0) for wave in WAVELENGTHS_MM]
    return tuple(
        (wave, math.hypot(math.sqrt(square), lean_factor))
        for wave, square in zip(WAVELENGTHS_MM, squared, strict=True)
    )


def factor_within(
    factors: tuple[tuple[float, float], ...], shortest_mm: float, longest_mm: float
) -> tuple[float, float]:
    """Find the wavelength within a range that shifts the length most; between two, in proportion.

    Returns:
        The wavelength and its factor.

    >>> factor_within(((1.0, 0.2), (4.0, 1.2), (16.0, 0.4)), 2.0, 2.0)
    (2.0, 0.7)
    >>> factor_within(((1.0, 0.2), (4.0, 1.2), (16.0, 0.4)), 2.0, 30.0)
    (4.0, 1.2)
    """
    waves, values = zip(*factors, strict=True)
    tried = [shortest_mm, longest_mm, *(wave for wave in waves if shortest_mm < wave < longest_mm)]
    found = np.interp(np.log(tried), np.log(waves), values)
    worst = int(found.argmax())
    return tried[worst], round(float(found[worst]), 12)
