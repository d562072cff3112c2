"""The relief of a rod's label face in a scan: depth below the face, pixel by pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.place import LabelSpace, label_space
from labkit.core.rod.rods import RodTemplate
from labkit.exports.check.depth_picture import Window, depth_picture
from labkit.exports.check.stl_reader import FacetMesh
from labkit.exports.expected import expected_bar
from labkit.exports.expected.base import Array

#: Pixels for one character height: a stroke is three of them wide.
PIXELS = 32
#: Facets this far above the nominal face, or below the engraving's floor, belong to something else.
ABOVE_MM, BELOW_MM = 0.35, 0.3
#: The face is found among points this near to it, step by step; the floors lie deeper.
NEAR_FACE_MM = (0.2, 0.12, 0.08, 0.08)


@dataclass(frozen=True, eq=False)
class Relief:
    """What a reader sees of the label's place.

    Args:
        ink: Depth below the face as a share of the engraving's depth, 0 … 1; rows from below.
        center: Column and row of the middle of the label's place.
        spacing_mm: About how far apart the scan's points are there.
        face_mm: Scatter of the face's points about their plane.
        seen: Share of the label's place that the scan shows.
    """

    ink: Array
    known: NDArray[np.bool_]
    center: tuple[float, float]
    pixel_mm: float
    spacing_mm: float
    face_mm: float
    seen: float


def relief(
    vertices: Array, triangles: NDArray[np.intp], template: RodTemplate, length_mm: float
) -> Relief | None:
    """Take the relief of the face that looks along −y, as read with x to the right and z up.

    Formula: depth = (plane − nearness) / engraving's depth; the plane by least squares among
    points near the nominal face, so that a tilted or raised face does not matter.

    Args:
        vertices: Vertices in the rod frame, mm; z up and x right for this reader.
    """
    label, space = template.label, label_space(template, length_mm)
    level = expected_bar(template).label_level_mm
    pixel = label.height_mm / PIXELS
    columns = max(int(space.width_mm / pixel), 1)
    rows = max(int(space.height_mm / pixel), 1)
    left, bottom = space.center_x_mm - columns * pixel / 2.0, -rows * pixel / 2.0
    window = Window(-1, left, bottom, pixel, columns, rows)
    span = (level - label.depth_mm - BELOW_MM, level + ABOVE_MM)
    mesh = _facing(vertices, triangles, span, window)
    place = _in_window(mesh.vertices, window)
    inside = ((place > 0.0) & (place < 1.0)).all(axis=1)
    if inside.sum() < 30:
        return None
    plane, scatter = _face(mesh.vertices[inside], level)
    near = depth_picture(mesh, window)
    x = left + (np.arange(columns, dtype=np.float64) + 0.5) * pixel
    depth = plane[0] + plane[1] * x[None, :] + plane[2] * window.up_mm()[:, None] - near
    on_place = _on_place(x - space.center_x_mm, window.up_mm(), space, label.margin_mm)
    known = on_place & np.isfinite(near) & (depth < label.depth_mm + BELOW_MM) & (depth > -ABOVE_MM)
    ink = np.where(known, np.clip(depth / label.depth_mm, 0.0, 1.0), 0.0)
    area = max(float(known.sum()), 1.0) * pixel**2
    spacing = float(np.sqrt(area / inside.sum()))
    seen = float(known.sum()) / max(float(on_place.sum()), 1.0)
    return Relief(ink, known, (columns / 2.0, rows / 2.0), pixel, spacing, scatter, seen)


def _on_place(x: Array, z: Array, space: LabelSpace, margin_mm: float) -> NDArray[np.bool_]:
    """Mark the pixels of the label's place, without half its margin and its rounded corners."""
    inset, radius = margin_mm / 2.0, space.corner_radius_mm
    beyond_x = np.maximum(np.abs(x)[None, :] - (space.width_mm / 2.0 - radius), 0.0)
    beyond_z = np.maximum(np.abs(z)[:, None] - (space.height_mm / 2.0 - radius), 0.0)
    if radius == 0.0:
        return np.asarray(np.maximum(
            np.abs(x)[None, :] - space.width_mm / 2.0, np.abs(z)[:, None] - space.height_mm / 2.0
        ) < -inset)
    return np.asarray(np.hypot(beyond_x, beyond_z) < radius - inset)


def _facing(
    vertices: Array, triangles: NDArray[np.intp], span_mm: tuple[float, float], window: Window
) -> FacetMesh:
    """Take the facets before a window, within a span of nearness; turn each towards the reader."""
    near, place = -vertices[:, 1], _in_window(vertices, window)
    inside = (near > span_mm[0]) & (near < span_mm[1])
    first, second, third = triangles.T
    kept = triangles[inside[first] & inside[second] & inside[third]]
    # A facet may be wider than the window: it lies beside where all its corners do, on one side.
    beyond, before = place >= 1.0, place <= 0.0
    first, second, third = kept.T
    beside = [of[first] & of[second] & of[third] for of in (*beyond.T, *before.T)]
    used, number = np.unique(kept[~np.any(beside, axis=0)], return_inverse=True)
    mesh = FacetMesh(vertices[used], number.reshape(-1, 3).astype(np.int32))
    away = mesh.crosses[:, 1] > 0.0
    turned = mesh.triangles.copy()
    turned[away] = turned[away][:, ::-1]
    return FacetMesh(mesh.vertices, turned)


def _in_window(vertices: Array, window: Window) -> Array:
    """Give where points lie in a window (n, 2): 0 … 1 to the right and up."""
    right = (vertices[:, 0] - window.left_mm) / (window.columns * window.pixel_mm)
    up = (vertices[:, 2] - window.bottom_mm) / (window.rows * window.pixel_mm)
    return np.stack([right, up], axis=1)


def _face(points: Array, level: float) -> tuple[Array, float]:
    """Fit nearness = a + b x + c z to the face, and give its scatter."""
    columns = np.column_stack([np.ones(len(points)), points[:, 0], points[:, 2]])
    plane, near = np.array([level, 0.0, 0.0]), -points[:, 1]
    off = near - columns @ plane
    for reach in NEAR_FACE_MM:
        weight = (reach**2 / (reach**2 + off**2)) ** 2
        # A face of which little is seen keeps the bar's own direction.
        normal = columns.T @ (weight[:, None] * columns) + np.diag([0.0, 1.0, 1.0])
        plane = plane + np.linalg.solve(normal, columns.T @ (weight * off))
        off = near - columns @ plane
    beside = np.abs(off[np.abs(off) < 2.0 * NEAR_FACE_MM[-1]])
    return plane, float(np.median(beside) / 0.6745) if len(beside) else 0.0
