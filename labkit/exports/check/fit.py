"""Least-squares circle, cylinder and sphere through measured points, in numpy alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.numbers import Finite
from labkit.errors import GeometryError
from labkit.exports.expected.base import Array

#: Gauss–Newton on well-spread points converges in 5 to 8 steps; slowly fading ones in tens.
MOST_STEPS = 200
#: A step below this share of the radius no longer changes a printed digit.
SMALLEST_STEP = 1e-13


@dataclass(frozen=True)
class RoundFit(Finite):
    """A fitted circle, sphere or cylinder.

    Args:
        center: Centre, mm (2 or 3 coordinates); of a cylinder, the axis point in the middle of
            the measured points.
        form_mm: Largest distance of a point from the fitted line or surface.
        axis: Unit direction of a cylinder's axis, empty otherwise.
    """

    center: tuple[float, ...]
    radius_mm: float
    form_mm: float
    squares_mm2: float
    axis: tuple[float, ...] = ()


def fit_circle(points: Array) -> RoundFit:
    """Fit a circle to plane points (n, 2), mm, with the least sum of squared distances.

    Formula: minimum over centre c and radius r of Σ (|p − c| − r)², by Gauss–Newton from the
    algebraic fit.

    Validity: three or more points that are not on a line.

    Raises:
        GeometryError: The points do not fix a circle.

    >>> fit_circle(np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])).radius_mm
    1.0

    Source: Gander, Golub, Strebel, Least-squares fitting of circles and ellipses, 1994.
    """
    return _fit_round(np.asarray(points, dtype=np.float64))


def fit_sphere(points: Array) -> RoundFit:
    """Fit a sphere to points in space (n, 3), mm, with the least sum of squared distances.

    Formula: as for the circle, with one more coordinate.

    Validity: four or more points that are not on a plane.

    Raises:
        GeometryError: The points do not fix a sphere.

    >>> round(fit_sphere(np.array([[1.0, 0, 1], [0, 1, 1], [1, 2, 1], [1, 1, 2]])).radius_mm, 9)
    1.0
    """
    return _fit_round(np.asarray(points, dtype=np.float64))


def fit_cylinder(points: Array, direction: tuple[float, float, float]) -> RoundFit:
    """Fit a cylinder to points (n, 3), mm, with the least sum of squared distances.

    Its axis has the sense of `direction`.

    Formula: minimum over axis (two positions, two slopes) and radius of Σ (distance to axis − r)².

    Validity: points all round the axis at two or more places along it; the axis within some 30°
    of `direction`.

    Raises:
        GeometryError: The points do not fix a cylinder.

    >>> ring = np.array([[0.0, 2, 0], [0, -2, 0], [0, 0, 2], [0, 0, -2]])
    >>> tube = np.vstack([ring, ring + [5.0, 0, 0]])
    >>> fit_cylinder(tube, (1.0, 0.0, 0.0)).radius_mm
    2.0
    """
    points = np.asarray(points, dtype=np.float64)
    axis = np.asarray(direction, dtype=np.float64)
    axis = axis / np.linalg.norm(axis)
    middle = points.mean(axis=0)
    for _ in range(MOST_STEPS):
        across = _across(axis)
        local = points - middle
        flat, along = fit_circle(local @ across.T), local @ axis
        center = np.asarray(flat.center)
        outward = across @ local.T - center[:, None]
        distance = np.sqrt((outward**2).sum(axis=0))
        unit = outward / distance
        step = _solve(
            np.vstack([unit, unit * along, np.ones(len(points)), distance - flat.radius_mm])
        )
        if float(np.abs(step[2:4]).max()) < SMALLEST_STEP:
            break
        middle = middle + (center + step[:2]) @ across
        axis = axis + step[2:4] @ across
        axis = axis / np.linalg.norm(axis)
    else:
        raise _unfixed(len(points), "cylinder")
    on_axis = middle + center @ across
    on_axis = on_axis + float(((points - on_axis) @ axis).mean()) * axis
    return RoundFit(
        _tuple(on_axis), flat.radius_mm, flat.form_mm, flat.squares_mm2, _tuple(axis)
    )


def _fit_round(points: Array) -> RoundFit:
    """Fit a circle (2 columns) or a sphere (3 columns)."""
    middle = points.mean(axis=0)
    local = np.ascontiguousarray((points - middle).T)
    dimensions, count = local.shape
    # The algebraic fit |p|² = 2 c·p + k is linear; it is only the starting point. Its rows, and
    # those of the steps, are the unknowns' columns and the right side.
    start = _solve(np.vstack([2.0 * local, np.ones(count), (local**2).sum(axis=0)]))
    center = start[:dimensions]
    radius = math.sqrt(max(float(start[dimensions] + center @ center), 0.0))
    for _ in range(MOST_STEPS):
        outward = local - center[:, None]
        distance = np.sqrt((outward**2).sum(axis=0))
        if not distance.all():
            raise _unfixed(count, "circle or sphere")
        step = _solve(np.vstack([outward / distance, np.ones(count), distance - radius]))
        center = center + step[:dimensions]
        radius += float(step[dimensions])
        if float(np.abs(step).max()) < SMALLEST_STEP * abs(radius):
            break
    residuals = np.sqrt(((local - center[:, None]) ** 2).sum(axis=0)) - radius
    return RoundFit(
        center=_tuple(center + middle),
        radius_mm=radius,
        form_mm=float(np.abs(residuals).max()),
        squares_mm2=float(residuals @ residuals),
    )


def _solve(rows: Array) -> Array:
    """Solve for the unknowns whose combination of rows is nearest to the last row.

    The normal equations: what is left to solve is as small as the unknowns are few. Steps that
    they leave a little off are followed by smaller ones.
    """
    products = rows @ rows.T
    solution, _, rank, _ = np.linalg.lstsq(products[:-1, :-1], products[:-1, -1], rcond=1e-12)
    if rank < len(rows) - 1:
        raise _unfixed(rows.shape[1], "circle, cylinder or sphere")
    return np.asarray(solution, dtype=np.float64)


def _across(axis: Array) -> Array:
    """Give two unit vectors at right angles to the axis and to each other, shape (2, 3)."""
    helper = np.zeros(3)
    helper[int(np.abs(axis).argmin())] = 1.0
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first)
    return np.vstack([first, np.cross(axis, first)])


def _tuple(values: Array) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _unfixed(count: int, shape: str) -> GeometryError:
    return GeometryError(
        f"the {count} measured points do not fix a {shape}; give more points, spread around it "
        "and not on one line or plane"
    )
