"""Strokes as a picture: which points of a grid lie within half a stroke of a centreline.

This is a road of its own to what outline.py computes exactly: it knows nothing of outlines, so that
each can check the other, and a picture of a mesh can be compared with what should be on it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.lettering import Arc, Disc, Line, Mark

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def coverage(marks: tuple[Mark, ...], stroke_mm: float, xs: Floats, ys: Floats) -> Mask:
    """Tell which points of a grid are covered by strokes.

    Formula: distance to a centreline ≤ stroke/2, or inside a disc.

    Args:
        marks: Centrelines and discs in mm.
        stroke_mm: Stroke width in mm.
        xs: Columns of the grid in mm, shape (n,).
        ys: Rows of the grid in mm, shape (m,).

    Returns:
        Truth values, shape (m, n), row i at ys[i].

    >>> marks = (Line((0.0, 0.0), (1.0, 0.0)),)
    >>> coverage(marks, 0.4, np.array([-0.3, 0.5]), np.array([0.1, 0.3])).tolist()
    [[False, True], [False, False]]
    """
    covered = np.zeros((ys.size, xs.size), dtype=np.bool_)
    for mark in marks:
        reach = mark.radius if isinstance(mark, Disc) else stroke_mm / 2.0
        left, right, bottom, top = _around(mark, reach)
        columns = np.flatnonzero((xs >= left) & (xs <= right))
        rows = np.flatnonzero((ys >= bottom) & (ys <= top))
        if columns.size and rows.size:
            near = _squared_distance(mark, xs[columns][None, :], ys[rows][:, None])
            covered[np.ix_(rows, columns)] |= near <= reach**2
    return covered


def _around(mark: Mark, reach: float) -> tuple[float, float, float, float]:
    """Box that certainly holds a mark's stroke (for an arc, that of its circle)."""
    if isinstance(mark, Line):
        (ax, ay), (bx, by) = mark.start, mark.end
        return (min(ax, bx) - reach, max(ax, bx) + reach, min(ay, by) - reach, max(ay, by) + reach)
    (x, y), size = mark.center, reach + (mark.radius if isinstance(mark, Arc) else 0.0)
    return (x - size, x + size, y - size, y + size)


def _squared_distance(mark: Mark, x: Floats, y: Floats) -> Floats:
    if isinstance(mark, Disc):
        return np.asarray((x - mark.center[0]) ** 2 + (y - mark.center[1]) ** 2)
    if isinstance(mark, Line):
        start, along = np.array(mark.start), np.array(mark.end) - np.array(mark.start)
        share = ((x - start[0]) * along[0] + (y - start[1]) * along[1]) / (along @ along)
        share = np.clip(share, 0.0, 1.0)
        return np.asarray(
            (x - start[0] - share * along[0]) ** 2 + (y - start[1] - share * along[1]) ** 2
        )
    return _squared_distance_to_arc(mark, x, y)


def _squared_distance_to_arc(arc: Arc, x: Floats, y: Floats) -> Floats:
    """Clamp the direction to the arc's span, then measure to the point of the arc there."""
    middle = np.radians(arc.start_deg + arc.sweep_deg / 2.0)
    reach = np.radians(abs(arc.sweep_deg)) / 2.0
    direction = np.arctan2(y - arc.center[1], x - arc.center[0])
    off = np.remainder(direction - middle + np.pi, 2.0 * np.pi) - np.pi
    angle = middle + np.clip(off, -reach, reach)
    return np.asarray(
        (x - arc.center[0] - arc.radius * np.cos(angle)) ** 2
        + (y - arc.center[1] - arc.radius * np.sin(angle)) ** 2
    )
