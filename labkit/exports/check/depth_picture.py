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
    pixels = as_seen(mesh.corners.take(_shown(mesh, window), axis=0), window.toward_y)
    pixels[..., 0] = (pixels[..., 0] - window.left_mm) / window.pixel_mm - 0.5
    pixels[..., 1] = (pixels[..., 1] - window.bottom_mm) / window.pixel_mm - 0.5
    picture = np.full(window.rows * window.columns, -np.inf)
    if len(pixels):
        _draw(picture, pixels, window)
    return picture.reshape(window.rows, window.columns)


def _shown(mesh: FacetMesh, window: Window) -> NDArray[np.intp]:
    """List the facets that look at the viewer and whose box reaches into the window."""
    right, up = (window.columns * window.pixel_mm, window.rows * window.pixel_mm)
    ends = -window.toward_y * np.array([window.left_mm, window.left_mm + right])
    left_x, right_x = ends.min() - window.pixel_mm, ends.max() + window.pixel_mm
    low_z, high_z = window.bottom_mm - window.pixel_mm, window.bottom_mm + up + window.pixel_mm
    return np.flatnonzero(
        (window.toward_y * mesh.crosses[:, 1] > 0.0)
        & (mesh.high[:, 0] > left_x) & (mesh.low[:, 0] < right_x)
        & (mesh.high[:, 2] > low_z) & (mesh.low[:, 2] < high_z)
    )


def _draw(picture: Array, pixels: Array, window: Window) -> None:
    first, second, third = pixels[:, :, 1].T
    bottoms = np.minimum(np.minimum(first, second), third)
    tops = np.maximum(np.maximum(first, second), third)
    facet, row = _expand(bottoms, tops, window.rows)
    left, right = _spans(pixels[facet], row)
    span, column = _expand(left, right, window.columns)
    facet, row = facet[span], row[span]
    nearness = _planes(pixels)[facet]
    value = nearness[:, 0] * column + nearness[:, 1] * row + nearness[:, 2]
    np.maximum.at(picture, row * window.columns + column, value)


def _expand(low: Array, high: Array, size: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """List, for each interval, the whole numbers in it within 0 … size − 1."""
    first = np.clip(np.ceil(low - EDGE_PIXELS), 0, size).astype(np.intp)
    last = np.clip(np.floor(high + EDGE_PIXELS), -1, size - 1).astype(np.intp)
    counts = np.maximum(last - first + 1, 0)
    which = np.repeat(np.arange(len(low)), counts)
    ends = np.cumsum(counts)
    offset = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - counts, counts)
    return which, first[which] + offset


def _spans(corners: Array, row: NDArray[np.intp]) -> tuple[Array, Array]:
    """Give where each facet's edges cross its pixel row: leftmost and rightmost."""
    left = np.full(len(row), np.inf)
    right = np.full(len(row), -np.inf)
    for start, end in ((0, 1), (1, 2), (2, 0)):
        one, other = corners[:, start], corners[:, end]
        low = np.minimum(one[:, 1], other[:, 1]) - EDGE_PIXELS
        high = np.maximum(one[:, 1], other[:, 1]) + EDGE_PIXELS
        crossed = (low <= row) & (row <= high)
        rise = other[:, 1] - one[:, 1]
        level = np.abs(rise) < EDGE_PIXELS
        share = np.clip((row - one[:, 1]) / np.where(level, 1.0, rise), 0.0, 1.0)
        at = one[:, 0] + share * (other[:, 0] - one[:, 0])
        low_x = np.where(level, np.minimum(one[:, 0], other[:, 0]), at)
        high_x = np.where(level, np.maximum(one[:, 0], other[:, 0]), at)
        left = np.where(crossed, np.minimum(left, low_x), left)
        right = np.where(crossed, np.maximum(right, high_x), right)
    # A row that crosses no edge (by rounding) has no span.
    missing = right < left
    return np.where(missing, 1.0, left), np.where(missing, 0.0, right)


def _planes(pixels: Array) -> Array:
    """Give nearness = a · column + b · row + c of each facet, shape (m, 3)."""
    first, second = pixels[:, 1] - pixels[:, 0], pixels[:, 2] - pixels[:, 0]
    area = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    area = np.where(area == 0.0, 1.0, area)
    a = (first[:, 2] * second[:, 1] - second[:, 2] * first[:, 1]) / area
    b = (first[:, 0] * second[:, 2] - second[:, 0] * first[:, 2]) / area
    c = pixels[:, 0, 2] - a * pixels[:, 0, 0] - b * pixels[:, 0, 1]
    return np.stack([a, b, c], axis=1)
