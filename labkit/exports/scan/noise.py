"""How far neighbouring points of a scan err alike, from the residuals of a fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.numbers import Finite
from labkit.exports.expected.base import Array

#: Most points of one surface whose pairs are compared.
MOST_POINTS = 1200
#: Width of a class of distances, and the largest distance compared.
CLASS_MM, FAR_MM = 0.1, 2.0
#: Correlation lengths tried, mm.
LENGTHS_MM = (0.05, 0.07, 0.1, 0.14, 0.2, 0.28, 0.4, 0.56, 0.8, 1.1)
#: Fewer pairs than these in a class say nothing.
LEAST_PAIRS = 30


@dataclass(frozen=True)
class Alike(Finite):
    """Correlation of the errors at two points d apart: share · exp(−(d/length)^power).

    Args:
        share: Part of the variance that neighbours have in common, 0 … 1.
        length_mm: Distance over which it fades.
        power: 1 (fades at once) or 2 (smooth).
    """

    share: float
    length_mm: float
    power: int

    def between(self, points: Array) -> Array:
        """Give the correlation of all pairs of points, 1 on the diagonal, shape (n, n)."""
        matrix = _apart(points)  # large: worked on in its place
        matrix /= self.length_mm
        if self.power == 2:
            matrix *= matrix
        np.negative(matrix, out=matrix)
        np.exp(matrix, out=matrix)
        matrix *= self.share
        np.fill_diagonal(matrix, 1.0)
        return matrix


def alike(surfaces: list[tuple[Array, Array]]) -> Alike:
    """Estimate how the errors of neighbouring points go together.

    Formula: mean product of the residuals of pairs, in classes of distance, against
    s · exp(−(d/l)^p) − b by least squares; b is what the fit itself took out of long waves.

    Args:
        surfaces: Points (n, 3) and residuals (n,), mm, of each fitted surface.

    Validity: waves shorter than the fitted surface; longer ones are form, which no scan of that
    surface alone can tell from position.
    """
    classes = round(FAR_MM / CLASS_MM)
    products, counts = np.zeros(classes), np.zeros(classes)
    variance = weight = 0.0
    for every, of_every in surfaces:
        taken = thinned(len(every))
        points, residuals = every[taken], of_every[taken]
        which = np.minimum((_apart(points) / CLASS_MM).astype(np.intp), classes)
        np.fill_diagonal(which, classes)
        pairs = np.outer(residuals, residuals)
        # Each pair stands there twice.
        products += np.bincount(which.ravel(), pairs.ravel(), classes + 1)[:classes] / 2.0
        counts += np.bincount(which.ravel(), minlength=classes + 1)[:classes] / 2.0
        variance += float(residuals @ residuals)
        weight += len(residuals)
    used = counts >= LEAST_PAIRS
    if variance <= 0.0 or used.sum() < 4:
        return Alike(0.0, LENGTHS_MM[0], 1)
    middles = ((np.arange(classes, dtype=np.float64) + 0.5) * CLASS_MM)[used]
    observed = products[used] / counts[used] / (variance / weight)
    return _fitted(middles, observed, counts[used])


def _fitted(apart: Array, observed: Array, counts: Array) -> Alike:
    root = np.sqrt(counts)
    best, least = Alike(0.0, LENGTHS_MM[0], 1), float(((root * observed) ** 2).sum())
    for power in (1, 2):
        for length in LENGTHS_MM:
            shape = np.exp(-((apart / length) ** power))
            columns = np.column_stack([shape, -np.ones_like(shape)]) * root[:, None]
            share, offset = np.linalg.lstsq(columns, root * observed, rcond=None)[0]
            share, offset = min(max(share, 0.0), 1.0), max(offset, 0.0)
            off = root * (share * shape - offset - observed)
            if float(off @ off) < least:
                best, least = Alike(float(share), length, power), float(off @ off)
    return best


def thinned(count: int, most: int = MOST_POINTS) -> NDArray[np.intp]:
    """Choose at most so many of `count` items, evenly."""
    if count <= most:
        return np.arange(count)
    return np.linspace(0, count - 1, most).astype(np.intp)


def _apart(points: Array) -> Array:
    squares = (points**2).sum(axis=1)
    apart: Array = -2.0 * points @ points.T
    apart += squares[:, None]
    apart += squares[None, :]
    np.maximum(apart, 0.0, out=apart)
    return np.sqrt(apart, out=apart)
