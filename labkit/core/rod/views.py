"""Two views of a rod as lines and arcs: from the side (x right, z up) and from above (x, y)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from labkit.core.label.lettering import Arc, Line, Piece
from labkit.core.rod.bar_outline import flat_outline
from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.rods import Ball, Crosspin, Eye, Fitting, FlatBar, RoundBar


def side_view(sizes: RodSizes) -> tuple[Piece, ...]:
    """Draw a rod's visible edges as seen from its inward side, without the label.

    Returns:
        Lines and arcs, x along the rod from the lower to the upper fitting, z up.

    Raises:
        GeometryError: The sizes leave no bar between the fittings.
    """
    if isinstance(sizes.body, RoundBar):
        return tuple(_round_side(sizes, sizes.body))
    radii = [_boss_mm(fitting) / 2 for fitting in sizes.fittings]
    outline = flat_outline(sizes.body, radii[0], radii[1], sizes.length_mm)
    return (*outline, *(piece for x, f in _ends(sizes) for piece in _flat_end(f, x)))


def top_view(sizes: RodSizes) -> tuple[Piece, ...]:
    """Draw a rod's outline as seen from above, the inward side downwards.

    Returns:
        Lines and arcs, x along the rod, the inward side towards negative.
    """
    if isinstance(sizes.body, RoundBar):
        return tuple(_round_top(sizes, sizes.body))
    return tuple(_flat_top(sizes, sizes.body))


def _ends(sizes: RodSizes) -> Iterator[tuple[float, Fitting]]:
    yield -sizes.length_mm / 2, sizes.lower
    yield sizes.length_mm / 2, sizes.upper


def _boss_mm(fitting: Fitting) -> float:
    return 0.0 if isinstance(fitting, Ball) else fitting.boss_diameter_mm


def _circle(x: float, diameter: float) -> Arc:
    return Arc((x, 0.0), diameter / 2, 0.0, 360.0)


def _flat_end(fitting: Fitting, x: float) -> Iterator[Piece]:
    if isinstance(fitting, Eye):
        yield _circle(x, fitting.bore_diameter_mm)
    elif isinstance(fitting, Crosspin):
        yield _circle(x, fitting.pin_diameter_mm)
        yield _circle(x, fitting.lip_diameter_mm)


def _rectangle(left: float, right: float, low: float, high: float) -> Iterator[Piece]:
    corners = ((left, low), (right, low), (right, high), (left, high), (left, low))
    yield from (Line(a, b) for a, b in pairwise(corners))


def _flat_top(sizes: RodSizes, bar: FlatBar) -> Iterator[Piece]:
    half, length = bar.thickness_mm / 2, sizes.length_mm / 2
    reach = [_boss_mm(fitting) / 2 for fitting in sizes.fittings]
    yield from _rectangle(-length - reach[0], length + reach[1], -half, half)
    for x, fitting in _ends(sizes):
        if isinstance(fitting, Crosspin):
            pin, lip = fitting.pin_diameter_mm / 2, fitting.lip_diameter_mm / 2
            foot = -half - fitting.pin_length_mm
            yield from _rectangle(x - pin, x + pin, foot, -half)
            yield from _rectangle(x - lip, x + lip, foot - fitting.lip_thickness_mm, foot)
        elif isinstance(fitting, Eye):
            bore = fitting.bore_diameter_mm / 2
            yield from (Line((x + s * bore, -half), (x + s * bore, half)) for s in (-1, 1))


def _round_side(sizes: RodSizes, bar: RoundBar) -> Iterator[Piece]:
    radius = bar.diameter_mm / 2
    yield from _round_outline(sizes, radius)
    width = math.sqrt(radius**2 - (radius - bar.flat_depth_mm) ** 2)
    left, right = _dome_centers(sizes, radius)
    yield Line((left, width), (right, width))
    yield Line((left, -width), (right, -width))
    yield Arc((left, 0.0), width, 90.0, 180.0)
    yield Arc((right, 0.0), width, -90.0, 180.0)


def _round_top(sizes: RodSizes, bar: RoundBar) -> Iterator[Piece]:
    radius = bar.diameter_mm / 2
    yield from _round_outline(sizes, radius)
    left, right = _dome_centers(sizes, radius)
    half = math.sqrt(radius**2 - (radius - bar.flat_depth_mm) ** 2)
    y = -(radius - bar.flat_depth_mm)
    yield Line((left - half, y), (right + half, y))


def _dome_centers(sizes: RodSizes, radius: float) -> tuple[float, float]:
    (lower_x, lower), (upper_x, upper) = _ends(sizes)
    reach = [f.neck_length_mm + radius for f in (lower, upper) if isinstance(f, Ball)]
    return lower_x + reach[0], upper_x - reach[1]


def _round_outline(sizes: RodSizes, radius: float) -> Iterator[Piece]:
    left, right = _dome_centers(sizes, radius)
    yield Line((left, radius), (right, radius))
    yield Line((left, -radius), (right, -radius))
    for center, (x, ball) in zip((left, right), _ends(sizes), strict=True):
        if isinstance(ball, Ball):
            yield from _ball_end(ball, x, center, radius)


def _ball_end(ball: Ball, x: float, center: float, radius: float) -> Iterator[Piece]:
    sign = 1.0 if center > x else -1.0
    neck, r = ball.neck_diameter_mm / 2, ball.ball_diameter_mm / 2
    for side in (-1.0, 1.0):
        foot = x + sign * math.sqrt(r**2 - neck**2)
        shoulder_x = center - sign * math.sqrt(radius**2 - neck**2)
        yield Line((foot, side * neck), (shoulder_x, side * neck))
    gap = math.degrees(math.asin(neck / r))
    toward = 0.0 if sign > 0 else 180.0
    yield Arc((x, 0.0), r, toward + gap, 360.0 - 2 * gap)
    shoulder = math.degrees(math.asin(neck / radius))
    away = 180.0 if sign > 0 else 0.0
    yield Arc((center, 0.0), radius, away - 90.0, 90.0 - shoulder)
    yield Arc((center, 0.0), radius, away + shoulder, 90.0 - shoulder)
