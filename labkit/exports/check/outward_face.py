"""Whether the outward face, which meets the cheek, is smooth: from its depth picture."""

from __future__ import annotations

import numpy as np

from labkit.core.rod.rods import RodTemplate
from labkit.exports.check import limits
from labkit.exports.check.depth_picture import Window, depth_picture
from labkit.exports.check.measured import Ends
from labkit.exports.check.read_label import count_floors
from labkit.exports.check.stl_reader import FacetMesh
from labkit.exports.expected import expected_bar, expected_ends

#: Reported where a ray meets nothing (a hole), or where there is nothing to look at.
NO_SURFACE_MM = 99.0


def outward_roughness(
    mesh: FacetMesh, toward_y: int, template: RodTemplate, ends: Ends
) -> float | None:
    """Give how far, mm, the outward face strays from its smooth shape; 99 where there is a hole.

    None where no fittings were found or the bar is too short to look at between them.

    Formula: max |nearness − t/2| on a flat bar, max |nearness − √(R² − z²)| on a round one, over
    the pixels between the fittings; a plane floor anywhere in a flat face counts as its depth.

    Args:
        toward_y: Sign of y along which the outward face looks.

    Validity: bars along x, domed ends of a round bar left out.
    """
    if ends.lower is None or ends.upper is None:
        return None
    bar, (lower, upper) = expected_bar(template), expected_ends(template)
    left = ends.lower.center[0] + lower.clear_mm(bar.end_mm)
    right = ends.upper.center[0] - upper.clear_mm(bar.end_mm)
    half_height = bar.outward_half_mm(limits.OUTWARD_PIXEL_MM)
    if right - left < limits.OUTWARD_PIXEL_MM:
        return None
    window = _window(left, right, half_height, toward_y)
    expected = bar.outward_mm(window.up_mm())[:, None]
    nearness = depth_picture(mesh, window)
    away = np.where(np.isfinite(nearness), np.abs(nearness - expected), NO_SURFACE_MM)
    worst = float(away.max())
    if bar.plane and count_floors(mesh, toward_y):
        worst = max(worst, limits.LEAST_FLOOR_MM)
    return worst


def _window(left: float, right: float, half_height: float, toward_y: int) -> Window:
    pixel = limits.OUTWARD_PIXEL_MM
    columns = int((right - left) / pixel)
    rows = int(2.0 * half_height / pixel)
    middle = -toward_y * (left + right) / 2.0
    return Window(
        toward_y, middle - columns * pixel / 2.0, -rows * pixel / 2.0, pixel, columns, rows
    )
