"""How far points are from the nominal surface of a template's rods, by closed formulas."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.rods import Ball, Crosspin, Eye, Fitting, FlatBar, RodTemplate, RoundBar
from labkit.errors import GeometryError

Array = NDArray[np.float64]

#: Thickness to either side of the shell from which points are drawn to the surface.
SHELL_MM = 0.3
#: Difference for the direction to the surface.
STEP_MM = 1e-3


class RodShape:
    """The nominal surface of a template at any length; the inward face looks along −y."""

    def __init__(self, template: RodTemplate) -> None:
        self.template = template
        self._bar = _flat if isinstance(template.body, FlatBar) else _round

    def distance(self, points: Array, length_mm: float) -> Array:
        """Give the distance of points from the surface.

        Formula: the least distance of the parts that are joined, the greatest of those that are
        cut: outline and rounded edges, bores, pins, lips; capsule, flat, necks, balls.

        Args:
            points: Points in the rod frame, mm, shape (n, 3).

        Returns:
            Distance, mm, + outside of the material, shape (n,).

        Validity: exact near smooth surfaces, an estimate round edges; without the engraving.
        """
        distance = self._bar(self.template, points, length_mm)
        half = length_mm / 2.0
        ends = ((self.template.lower, -1.0), (self.template.upper, 1.0))
        for fitting, sense in ends:
            local = points.copy()
            local[:, 0] = sense * points[:, 0] - half
            distance = _with_fitting(self.template, fitting, local, distance)
        return distance

    def reach(self) -> tuple[float, float]:
        """Give how far a rod reaches beyond its lower and its upper fitting's centre, mm."""
        return _reach(self.template.lower), _reach(self.template.upper)


def _reach(fitting: Fitting) -> float:
    if isinstance(fitting, Ball):
        return fitting.ball_diameter_mm / 2.0
    return fitting.boss_diameter_mm / 2.0


def _with_fitting(
    template: RodTemplate, fitting: Fitting, local: Array, distance: Array
) -> Array:
    """Cut a bore or join a pin or ball; `local` has its x outward from the fitting's centre."""
    match fitting:
        case Eye():
            bore = fitting.bore_diameter_mm / 2.0 - np.hypot(local[:, 0], local[:, 2])
            return np.maximum(distance, bore)
        case Crosspin():
            return np.minimum(distance, _pin(template, fitting, local))
        case Ball():
            ball = np.linalg.norm(local, axis=1) - fitting.ball_diameter_mm / 2.0
            across = np.hypot(local[:, 1], local[:, 2]) - fitting.neck_diameter_mm / 2.0
            neck = _both(across, np.abs(local[:, 0] + fitting.neck_length_mm / 2.0)
                         - fitting.neck_length_mm / 2.0)
            return np.asarray(np.minimum(distance, np.minimum(ball, neck)), dtype=np.float64)


def _pin(template: RodTemplate, pin: Crosspin, local: Array) -> Array:
    if not isinstance(template.body, FlatBar):
        raise GeometryError("a crosspin stands on a flat bar only")
    from_face = -local[:, 1] - template.body.thickness_mm / 2.0
    across = np.hypot(local[:, 0], local[:, 2])
    lip_middle = pin.pin_length_mm + pin.lip_thickness_mm / 2.0
    half = pin.pin_length_mm / 2.0
    stem = _both(across - pin.pin_diameter_mm / 2.0, np.abs(from_face - half) - half)
    lip = _both(
        across - pin.lip_diameter_mm / 2.0,
        np.abs(from_face - lip_middle) - pin.lip_thickness_mm / 2.0,
    )
    return np.minimum(stem, lip)


def _both(first: Array, second: Array) -> Array:
    """Give the distance from what lies inside of both."""
    outside = np.hypot(np.maximum(first, 0.0), np.maximum(second, 0.0))
    return np.asarray(outside + np.minimum(np.maximum(first, second), 0.0), dtype=np.float64)


def _flat(template: RodTemplate, points: Array, length_mm: float) -> Array:
    body = template.body
    assert isinstance(body, FlatBar)
    edge = body.edge_radius_mm
    outline = _outline(template, body, points, length_mm) + edge
    across = np.abs(points[:, 1]) - body.thickness_mm / 2.0 + edge
    return _both(outline, across) - edge


def _outline(template: RodTemplate, body: FlatBar, points: Array, length_mm: float) -> Array:
    """Give the distance from the outline in the x–z plane."""
    x, z = points[:, 0], np.abs(points[:, 2])
    distance = z - body.height_mm / 2.0
    for fitting, sense in ((template.lower, -1.0), (template.upper, 1.0)):
        if isinstance(fitting, Ball):
            raise GeometryError("a ball does not stand on a flat bar")
        radius = fitting.boss_diameter_mm / 2.0
        local = sense * x - length_mm / 2.0
        reach = body.blend_reach_mm(radius)
        rise = body.height_mm / 2.0 + body.blend_radius_mm
        boss = np.hypot(local, z) - radius
        blend = body.blend_radius_mm - np.hypot(local + reach, z - rise)
        on_boss = (local * rise + z * reach > 0.0) if reach else (local > 0.0)
        on_blend = ~on_boss & (local > -reach)
        distance = np.where(on_boss, boss, np.where(on_blend, blend, distance))
    return np.asarray(distance, dtype=np.float64)


def _round(template: RodTemplate, points: Array, length_mm: float) -> Array:
    body = template.body
    assert isinstance(body, RoundBar)
    radius = body.diameter_mm / 2.0
    low, high = (
        length_mm / 2.0 - fitting.neck_length_mm - radius if isinstance(fitting, Ball) else math.nan
        for fitting in (template.lower, template.upper)
    )
    along = points[:, 0] - np.clip(points[:, 0], -low, max(high, -low))
    capsule = np.sqrt(along**2 + points[:, 1] ** 2 + points[:, 2] ** 2) - radius
    flat = -points[:, 1] - (radius - body.flat_depth_mm)
    return np.asarray(np.maximum(capsule, flat), dtype=np.float64)


def surface_points(shape: RodShape, length_mm: float, count: int) -> Array:
    """Spread points over the nominal surface, to ask how much of it a scan shows.

    Returns:
        Points in the rod frame, mm, shape (n, 3); the same every time.
    """
    random = np.random.default_rng(count)
    lower, upper = shape.reach()
    wide = max(lower, upper, 4.0) + 6.0
    low = np.array([-length_mm / 2.0 - lower - 0.3, -wide, -wide])
    high = np.array([length_mm / 2.0 + upper + 0.3, wide, wide])
    points = random.uniform(low, high, (40 * count, 3))
    # Even in a thin shell, so nearly even on the surface.
    points = points[np.abs(shape.distance(points, length_mm)) < SHELL_MM][:count]
    for _ in range(3):
        distance = shape.distance(points, length_mm)
        gradient = np.stack([
            (shape.distance(points + step, length_mm) - distance) / STEP_MM
            for step in STEP_MM * np.eye(3)
        ], axis=1)  # fmt: skip
        points = points - distance[:, None] * gradient
    return points[np.abs(shape.distance(points, length_mm)) < STEP_MM]
