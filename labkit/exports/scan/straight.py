"""Whether a scanned rod's bar is straight, and by how much it is twisted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.numbers import Finite
from labkit.exports.expected.base import Array
from labkit.exports.scan.shape import STEP_MM, RodShape

#: Slices of the bar, and the points of all of them.
SLICES, MOST_POINTS = 12, 6000
#: A slice with fewer points tells nothing; fewer slices than these tell no line.
LEAST_POINTS, LEAST_SLICES = 40, 5
#: Reach of a slice's pull, mm, from coarse to fine; the bar's own half thickness is the most.
FALLING_MM = (1.2, 0.6, 0.3, 0.15, 0.1)
#: Away from the fittings' bosses, mm.
ASIDE_MM = 0.5
#: Keeps a turn that a round bar does not fix.
DAMPING = 1e-3
#: Beyond these a bar is called bent or twisted: straightness 0.2 is class K for 30 to 100 mm
#: (ISO 2768-2, from memory); the twist is common practice.
MOST_BEND_MM, MOST_TWIST_DEG = 0.2, 2.0


@dataclass(frozen=True)
class BarShape(Finite):
    """The bar between the fittings as it lies in the scan.

    Args:
        straight_mm: Range of its centre line about the best straight line, the larger of both
            directions.
        twist_deg: Turn of its one end against the other.
    """

    straight_mm: float
    twist_deg: float

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with it, in sentences without an end."""
        found = []
        if self.straight_mm > MOST_BEND_MM:
            found.append(
                f"the rod is bent: its bar is straight within {self.straight_mm:.3f} mm only, and "
                f"at most {MOST_BEND_MM:g} mm are allowed"
            )
        if self.twist_deg > MOST_TWIST_DEG:
            found.append(
                f"the rod is twisted by {self.twist_deg:.1f}°; at most {MOST_TWIST_DEG:g}° are "
                "allowed"
            )
        return tuple(found)


def bar_shape(shape: RodShape, points: Array, length_mm: float) -> BarShape | None:
    """Follow the bar slice by slice; None where too little of it is seen.

    Formula: r = n·(shift + turn × p) + growth by robust least squares in each slice, r and n
    distance and direction from the nominal surface; straightness and twist are those of the slices'
    shifts and turns along x.

    Args:
        points: Points of the scan (n, 3), rod frame, mm.

    Source: ISO 12780-1 for the reference line by least squares (from memory).
    """
    lower, upper = shape.reach()
    low, high = -length_mm / 2.0 + lower + ASIDE_MM, length_mm / 2.0 - upper - ASIDE_MM
    inside = points[(points[:, 0] > low) & (points[:, 0] < high)]
    inside = inside[:: max(1, len(inside) // MOST_POINTS)]
    distance = shape.distance(inside, length_mm)
    near = np.abs(distance) < FALLING_MM[0]
    inside, distance = inside[near], distance[near]
    normal = np.stack([
        (shape.distance(inside + STEP_MM * np.eye(3)[axis], length_mm) - distance) / STEP_MM
        for axis in (1, 2)
    ], axis=1)
    slices = ((inside[:, 0] - low) / (high - low) * SLICES).astype(np.intp)
    found = [
        (float(inside[own, 0].mean()), *_slice(inside[own], normal[own], distance[own]))
        for number in range(SLICES) if (own := slices == number).sum() >= LEAST_POINTS
    ]
    if len(found) < LEAST_SLICES:
        return None
    along, *lines = np.array(found).T
    trend = np.column_stack([np.ones_like(along), along])
    fits = [np.linalg.lstsq(trend, line, rcond=None)[0] for line in lines]
    ranges = [float(np.ptp(line - trend @ fit)) for line, fit in zip(lines, fits, strict=True)]
    twist = math.degrees(abs(float(fits[2][1])) * (high - low))
    return BarShape(max(ranges[:2]), twist if shape.plane else 0.0)


def _slice(points: Array, normal: Array, distance: Array) -> Array:
    """Give the shift across in y and z, and the turn, of one slice."""
    y, z = points[:, 1], points[:, 2]
    columns = np.column_stack([
        normal, y * normal[:, 1] - z * normal[:, 0], np.ones_like(y)
    ])
    solved = np.zeros(4)
    for reach in FALLING_MM:
        off = distance - columns @ solved
        weight = (reach**2 / (reach**2 + off**2)) ** 2
        square = columns.T @ (weight[:, None] * columns) + DAMPING * len(points) * np.eye(4)
        solved = solved + np.linalg.solve(square, columns.T @ (weight * off))
    return np.asarray(solved[:3], dtype=np.float64)
