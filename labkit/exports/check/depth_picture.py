"""Depth pictures of a mesh: an orthographic z-buffer in numpy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.exports.check.stl_reader import FacetMesh
from labkit.exports.expected.base import Array

#: Pixels whose centre is this close (in pixels) to a facet's edge count as inside, so that two
#: facets that share the edge leave no gap.
EDGE_PIXELS = 1e-6


@dataclass(frozen=True)
class Window:
    """What a depth picture shows, as seen by someone who looks at one face with z up.

    Args:
        toward_y: Sign of the face's outward direction along y; the viewer is on that side.
        left_mm, bottom_mm: Lower left corner, in the viewer's right and up.
    """

    toward_y: int
    left_mm: float
    bottom_mm: float
    pixel_mm: float
    columns: int
    rows: int

    def up_mm(self) -> Array:
        """Give the height of each row's middle, mm; row 0 is the lowest."""
        return self.bottom_mm + (np.arange(self.rows, dtype=np.float64) + 0.5) * self.pixel_mm


def as_seen(points: Array, toward_y: int) -> Array:
    """Turn rod coordinates into the viewer's right, up and nearness, all in mm.

    Args:
        points: Points in the rod frame, shape (…, 3).
        toward_y: Sign of y on whose side the viewer stands.

    Returns:
        Same shape: right (+x for a viewer on −y, −x for one on +y), up (z), nearness.

    >>> as_seen(np.array([1.0, 2.0, 3.0]), -1).tolist()
    [1.0, 3.0, -2.0]
    """
    return np.stack(
        [-toward_y * points[..., 0], points[..., 2], toward_y * points[..., 1]], axis=-1
    )


def depth_picture(mesh: FacetMesh, window: Window) -> Array:
    """Look at a mesh and give for each pixel the nearness of the first surface.

    Formula: per facet and pixel row, the span of pixels between the facet's edges; per pixel the
    largest nearness, each from its facet's plane.

    Returns:
        Nearness (toward_y · y), mm, shape (rows, columns); −inf where there is nothing.

    Validity: exact at pixel middles for facets that do not stand on edge.
    """
    right, up, near = as_seen(mesh.corners_of(_shown(mesh, window)), window.toward_y).T
    right = (right - window.left_mm) / window.pixel_mm - 0.5
    up = (up - window.bottom_mm) / window.pixel_mm - 0.5
    picture = np.full(window.rows * window.columns, -np.inf)
    if right.size:
        _draw(picture, np.stack([right, up, near]), window)
    return picture.reshape(window.rows, window.columns)


def _shown(mesh: FacetMesh, window: Window) -> NDArray[np.intp]:
    """List the facets that look at the viewer and whose box reaches into the window."""
    right, up = (window.columns * window.pixel_mm, window.rows * window.pixel_mm)
    ends = -window.toward_y * np.array([window.left_mm, window.left_mm + right])
    left_x, right_x = ends.min() - window.pixel_mm, ends.max() + window.pixel_mm
    low_z, high_z = window.bottom_mm - window.pixel_mm, window.bottom_mm + up + window.pixel_mm
    facing = np.flatnonzero(window.toward_y * mesh.crosses[:, 1] > 0.0)
    x, _, z = mesh.corners_of(facing).T
    within = (
        (x.max(axis=0) > left_x) & (x.min(axis=0) < right_x)
        & (z.max(axis=0) > low_z) & (z.min(axis=0) < high_z)
    )
    found: NDArray[np.intp] = facing[within]
    return found


def _draw(picture: Array, corners: Array, window: Window) -> None:
    """Put facets into the picture.

    Args:
        corners: In pixels, and nearness in mm: shape (3 coordinates, 3 corners, m).
    """
    up = corners[1]
    facet, row = _expand(up.min(axis=0), up.max(axis=0), window.rows)
    left, right = _spans(corners[:2], facet, row)
    span, column = _expand(left, right, window.columns)
    along, across, start = _planes(corners)
    begins = across.take(facet) * row + start.take(facet)
    value = begins.take(span) + along.take(facet).take(span) * column
    place = (row * window.columns).take(span) + column
    # Where several facets lie over one pixel, one of them is written; nearer ones follow.
    while len(place):
        picture[place] = value
        lost = picture.take(place) < value
        place, value = place[lost], value[lost]


def _expand(low: Array, high: Array, size: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """List, for each interval, the whole numbers in it within 0 … size − 1."""
    first = np.clip(np.ceil(low - EDGE_PIXELS), 0, size).astype(np.intp)
    last = np.clip(np.floor(high + EDGE_PIXELS), -1, size - 1).astype(np.intp)
    counts = np.maximum(last - first + 1, 0)
    which = np.repeat(np.arange(len(low)), counts)
    ends = np.cumsum(counts)
    offset = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - counts, counts)
    return which, first[which] + offset


def _spans(
    corners: Array, facet: NDArray[np.intp], row: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Give where the pixel row of a facet crosses its edges: leftmost and rightmost.

    One side of a facet is its edge from the lowest to the highest corner, the other one the edge
    below or above the corner between.

    Args:
        corners: Right and up in pixels, shape (2, 3 corners, m).
        facet: The facet of each row.
    """
    order = np.argsort(corners[1], axis=0, kind="stable")
    x, y = np.take_along_axis(corners, order[None], axis=1)
    count = len(order[0])
    # All edges: from lowest to highest corner, below the one between, above it.
    x, end_x = x[[0, 0, 1]].ravel(), x[[2, 1, 2]].ravel()
    y, end_y = y[[0, 0, 1]].ravel(), y[[2, 1, 2]].ravel()
    rise = end_y - y
    slope = (end_x - x) / np.where(rise > 0.0, rise, 1.0)

    def crossing(edge: NDArray[np.intp]) -> Array:
        gone = np.minimum(np.maximum(row - y.take(edge), 0.0), rise.take(edge))
        return np.asarray(x.take(edge) + gone * slope.take(edge))

    # A level edge has no crossing of its own: where the other one begins or ends is its end.
    level = (rise <= EDGE_PIXELS).reshape(3, count)
    middle = np.where(level[1], -np.inf, np.where(level[2], np.inf, end_y[count : 2 * count]))
    broken = facet + np.where(row < middle.take(facet), count, 2 * count)
    one, other = crossing(facet), crossing(broken)
    left, right = np.minimum(one, other), np.maximum(one, other)
    flat = level[0].take(facet)
    if flat.any():
        left = np.where(flat, corners[0].min(axis=0).take(facet), left)
        right = np.where(flat, corners[0].max(axis=0).take(facet), right)
    return left, right


def _planes(corners: Array) -> Array:
    """Give a, b, c of each facet's nearness = a · column + b · row + c, shape (3, m)."""
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = first[0] * second[1] - first[1] * second[0]
    area = np.where(area == 0.0, 1.0, area)
    a = (first[2] * second[1] - second[2] * first[1]) / area
    b = (first[0] * second[2] - second[0] * first[2]) / area
    right, up, near = corners[:, 0]
    return np.stack([a, b, near - a * right - b * up])
