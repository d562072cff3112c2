"""The two fittings of a rod found in a scan: bores, pins, balls, and how much of each is seen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.rod.rods import Fitting, RodTemplate
from labkit.errors import GeometryError, RefusedError
from labkit.exports.check.limits import FITTING_SEARCH_SHARE
from labkit.exports.check.measured import LOWER, UPPER
from labkit.exports.expected import (
    Array,
    CylinderEnd,
    ExpectedEnd,
    SphereEnd,
    expected_bar,
    expected_end,
)
from labkit.exports.scan.fit import SurfaceFit, robust_cylinder, robust_sphere

#: Next to an edge a scan is rounded or frayed: that much of a wall does not count.
EDGE_MM = 0.25
#: A wall with fewer points between its edges may be that of a drawn part, whose points lie on them
#: exactly; of a scan nothing is seen of it then.
LEAST_WALL_POINTS = 12
DRAWN_MM = 0.005
#: A bore whose radius changes by more than this, ±, is fitted as an oval.
LEAST_OVAL_MM = 0.008
#: A wider gap round it or less of it seen, and an oval cannot be told from a shifted bore.
OVAL_GAP_DEG, OVAL_SEEN = 75.0, 0.6
#: Sectors round an axis in which points are looked for.
SECTORS = 24
#: Layers along a wall, or of a ball.
LAYERS = 3
#: Seen less than this, or with a wider gap, a fitting is not measured.
LEAST_SEEN, WIDEST_GAP_DEG = 0.25, 220.0
#: A fitting further than this from where the bar and bosses put it is not this fitting.
ASTRAY_MM = 1.0


@dataclass(frozen=True, eq=False)
class EndFit:
    """A fitting as fitted.

    Args:
        end: "lower" or "upper".
        seen: Share of its surface that the scan shows, 0 … 1.
        oval_mm: Amplitude of its radius over two waves round it; None for a ball, and where too
            little is seen to tell.
    """

    end: str
    fitting: Fitting
    fit: SurfaceFit
    seen: float
    oval_mm: float | None


def fit_ends(template: RodTemplate, points: Array, length_mm: float) -> tuple[EndFit, EndFit]:
    """Fit the lower and the upper fitting of a rod to points (n, 3) in the rod frame.

    Raises:
        RefusedError: A fitting is not visible enough; the sentence says which and how much of it.
    """
    half = length_mm / 2.0
    return (
        _fit_end(template, LOWER, template.lower, points, -half),
        _fit_end(template, UPPER, template.upper, points, half),
    )


def _fit_end(
    template: RodTemplate, end: str, fitting: Fitting, points: Array, x_mm: float
) -> EndFit:
    wanted, surface = fitting.diameter_mm / 2.0, expected_end(fitting)
    near = points[(np.abs(points[:, 0] - x_mm) < 2.0 * wanted + ASTRAY_MM)]
    try:
        if isinstance(surface, SphereEnd):
            (fit, seen, gap), oval = _ball(surface, near, x_mm), None
        else:
            fit, seen, gap, oval = _wall(template, surface, near, x_mm)
    except GeometryError:
        raise _unseen(template, end, fitting, "the scan shows next to nothing of it") from None
    if seen < LEAST_SEEN or gap > WIDEST_GAP_DEG:
        raise _unseen(
            template, end, fitting,
            f"{100 * seen:.0f} % of its surface is seen, with a gap of {gap:.0f}°; at least "
            f"{100 * LEAST_SEEN:.0f} % is needed, and no gap above {WIDEST_GAP_DEG:.0f}°",
        )
    off = math.hypot(fit.center[0] - x_mm, fit.center[2])
    if abs(fit.radius_mm - wanted) > FITTING_SEARCH_SHARE * wanted or off > ASTRAY_MM:
        raise _unseen(
            template, end, fitting,
            f"the nearest surface of that kind has a diameter of {2 * fit.radius_mm:.2f} mm, "
            f"{off:.2f} mm from its place; the template has {2 * wanted:g} mm",
        )
    return EndFit(end, fitting, fit, seen, oval)


def _unseen(template: RodTemplate, end: str, fitting: Fitting, why: str) -> RefusedError:
    place = f"{fitting.surface} at the {end} end"
    if not template.handed:
        place = f"{fitting.surface} at one end"
    return RefusedError(
        f"the {place} cannot be measured as that of {template.name}: {why}; scan the rod again "
        "with this end in view",
        field=end,
    )


def _wall(
    template: RodTemplate, wanted: ExpectedEnd, points: Array, x_mm: float
) -> tuple[SurfaceFit, float, float, float | None]:
    assert isinstance(wanted, CylinderEnd)
    low, high = wanted.wall_mm(expected_bar(template).label_level_mm)
    level, radius = (low + high) / 2.0, wanted.fitting.diameter_mm / 2.0
    center = (x_mm, 0.0)
    inner = points[(points[:, 1] > low + EDGE_MM) & (points[:, 1] < high - EDGE_MM)]
    drawn = len(_ring(inner, center, radius)) < LEAST_WALL_POINTS
    if drawn:
        inner = points[(points[:, 1] > low - 0.05) & (points[:, 1] < high + 0.05)]
    # A second round about the fitted axis, where the first guess was off.
    for share in (FITTING_SEARCH_SHARE, FITTING_SEARCH_SHARE, 0.15):
        fit = robust_cylinder(_ring(inner, center, radius, share), center, level, radius)
        center, radius = (fit.center[0], fit.center[2]), fit.radius_mm
    if drawn and fit.rms_mm > DRAWN_MM:
        raise GeometryError("only points of the edges are seen")
    used = fit.points[fit.used]
    angles = np.arctan2(used[:, 2] - center[1], used[:, 0] - center[0])
    layers = np.zeros(len(used)) if drawn else (used[:, 1] - low - EDGE_MM) / (
        high - low - 2.0 * EDGE_MM
    )
    gap, oval = _gap_deg(angles), None
    seen = _seen(angles, layers, 1 if drawn else LAYERS)
    if not drawn and gap < OVAL_GAP_DEG and seen > OVAL_SEEN:
        waved = robust_cylinder(
            _ring(inner, center, radius, 0.15), center, level, radius, oval=True
        )
        oval = waved.oval_mm
        # Where it is round the waves are noise, and the round fit is the better one.
        fit = waved if oval > LEAST_OVAL_MM else fit
    return fit, seen, gap, oval


def _ring(
    points: Array, center: tuple[float, float], radius: float, share: float = FITTING_SEARCH_SHARE
) -> Array:
    across = np.hypot(points[:, 0] - center[0], points[:, 2] - center[1])
    return points[np.abs(across - radius) < share * radius]


def _ball(wanted: SphereEnd, points: Array, x_mm: float) -> tuple[SurfaceFit, float, float]:
    outward = 1.0 if x_mm > 0.0 else -1.0
    center, radius = (x_mm, 0.0, 0.0), wanted.fitting.diameter_mm / 2.0
    # The ball ends where its neck begins.
    neck = wanted.neck_from_mm - EDGE_MM
    for share in (FITTING_SEARCH_SHARE, FITTING_SEARCH_SHARE, 0.15):
        out = points - np.asarray(center)
        on_it = np.abs(np.linalg.norm(out, axis=1) - radius) < share * radius
        on_it &= outward * out[:, 0] > -neck
        fit = robust_sphere(points[on_it], center, radius)
        center, radius = fit.center, fit.radius_mm
    out = (fit.points[fit.used] - np.asarray(center)) / radius
    angles = np.arctan2(out[:, 2], out[:, 1])
    low = -neck / radius
    layers = (outward * out[:, 0] - low) / (1.0 - low)
    return fit, _seen(angles, layers, LAYERS), _gap_deg(angles)


def _seen(angles: Array, layers: Array, count: int) -> float:
    """Give the share of the cells of a surface that have a point."""
    sectors = SECTORS if count > 1 else SECTORS // 2
    sector = ((angles / (2.0 * np.pi) + 0.5) * sectors).astype(np.intp) % sectors
    layer = np.clip((layers * count).astype(np.intp), 0, count - 1)
    return len(np.unique(sector * count + layer)) / (sectors * count)


def _gap_deg(angles: Array) -> float:
    if len(angles) < 2:
        return 360.0
    ordered = np.sort(angles)
    return math.degrees(float(np.diff(np.append(ordered, ordered[0] + 2.0 * np.pi)).max()))
