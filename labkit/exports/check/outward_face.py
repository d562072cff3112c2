"""Whether the outward face, which meets the cheek, is smooth: from its depth picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.rods import Ball, Eye, Fitting, FlatBar, RodTemplate, RoundBar
from labkit.exports.check import limits
from labkit.exports.check.depth_picture import Window, depth_picture
from labkit.exports.check.measured import Ends
from labkit.exports.check.read_label import count_floors
from labkit.exports.check.stl_reader import FacetMesh

#: Share of a round bar's radius that is looked at: beyond, the surface turns away.
ROUND_SHARE = 0.8
#: Reported where a ray meets nothing (a hole), or where there is nothing to look at.
NO_SURFACE_MM = 99.0


def outward_roughness(
    mesh: FacetMesh, toward_y: int, template: RodTemplate, ends: Ends
) -> float | None:
    """Give how far the outward face strays from its smooth shape.

    Formula: max |nearness − t/2| on a flat bar, max |nearness − √(R² − z²)| on a round one, over
    the pixels between the fittings; a plane floor anywhere in a flat face counts as its depth.

    Args:
        toward_y: Sign of y along which the outward face looks.
        template: Shape of the bar.
        ends: Fittings as measured; the face is looked at between them.

    Returns:
        Largest deviation, mm; 99 where there is a hole; None where no fittings were found or the
        bar is too short to look at.

    Validity: bars along x, domed ends of a round bar left out.
    """
    if ends.lower is None or ends.upper is None:
        return None
    left = ends.lower.center[0] + _end_reach(template.lower, template)
    right = ends.upper.center[0] - _end_reach(template.upper, template)
    half_height = _half_height(template)
    if right - left < limits.OUTWARD_PIXEL_MM:
        return None
    window = _window(left, right, half_height, toward_y)
    expected = _expected(template, window)
    nearness = depth_picture(mesh, window)
    away = np.where(np.isfinite(nearness), np.abs(nearness - expected), NO_SURFACE_MM)
    worst = float(away.max())
    if isinstance(template.body, FlatBar) and count_floors(mesh, toward_y):
        worst = max(worst, limits.LEAST_FLOOR_MM)
    return worst


def _end_reach(fitting: Fitting, template: RodTemplate) -> float:
    """Give how far the fitting keeps the outward face from being plain bar."""
    if isinstance(fitting, Ball):
        assert isinstance(template.body, RoundBar)
        return fitting.neck_length_mm + template.body.diameter_mm / 2.0
    if isinstance(fitting, Eye):
        # A bore may be made wider than drawn; its rim is no place to look.
        return fitting.bore_diameter_mm / 2.0 * (1.0 + limits.FITTING_SEARCH_SHARE)
    return 0.0


def _half_height(template: RodTemplate) -> float:
    body = template.body
    if isinstance(body, FlatBar):
        return body.height_mm / 2.0 - body.edge_radius_mm - limits.OUTWARD_PIXEL_MM
    return ROUND_SHARE * body.diameter_mm / 2.0


def _window(left: float, right: float, half_height: float, toward_y: int) -> Window:
    pixel = limits.OUTWARD_PIXEL_MM
    columns = int((right - left) / pixel)
    rows = int(2.0 * half_height / pixel)
    middle = -toward_y * (left + right) / 2.0
    return Window(
        toward_y, middle - columns * pixel / 2.0, -rows * pixel / 2.0, pixel, columns, rows
    )


def _expected(template: RodTemplate, window: Window) -> NDArray[np.float64]:
    body = template.body
    if isinstance(body, FlatBar):
        return np.full((window.rows, window.columns), body.thickness_mm / 2.0)
    bulge = np.sqrt((body.diameter_mm / 2.0) ** 2 - window.up_mm() ** 2)
    return np.repeat(bulge[:, None], window.columns, axis=1)
