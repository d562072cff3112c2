"""The outline of a flat bar with its two bosses, as exact lines and arcs."""

from __future__ import annotations

import math

from labkit.core.label.lettering import Arc, Line
from labkit.core.rod.outlines import Loop
from labkit.core.rod.rods import FlatBar
from labkit.errors import GeometryError

#: A boss this close to the bar's height counts as equal to it (a plain rounded end).
SAME_MM = 1e-9


def blend_reach_mm(body: FlatBar, boss_radius_mm: float) -> float:
    """Work out how far along the bar a boss and its blend arcs reach from the boss's centre.

    Formula: √((R + b)² − (h + b)²), R boss radius, h half of the bar's height, b blend radius:
    the blend's centre lies b above the bar's edge and R + b from the boss's centre.

    Args:
        boss_radius_mm: Radius of the boss, mm.

    Returns:
        Distance in mm along the bar; 0 where boss and bar are equally high.

    Raises:
        GeometryError: The boss is lower than the bar.

    >>> round(blend_reach_mm(FlatBar(6.5, 3.0, 0.5, 3.0), 3.75) ** 2, 9)
    6.5
    """
    half = body.height_mm / 2
    if boss_radius_mm < half - SAME_MM:
        raise GeometryError(
            f"a boss of {2 * boss_radius_mm:g} mm diameter is lower than its bar of "
            f"{body.height_mm:g} mm height; give the boss at least the bar's height",
            field="boss_diameter",
            value=2 * boss_radius_mm,
            allowed=f"at least {body.height_mm:g} mm",
        )
    if boss_radius_mm <= half + SAME_MM:
        return 0.0
    blend = body.blend_radius_mm
    return math.sqrt((boss_radius_mm + blend) ** 2 - (half + blend) ** 2)


def flat_outline(
    body: FlatBar, left_radius_mm: float, right_radius_mm: float, length_mm: float
) -> Loop:
    """Draw the outline of a flat bar: boss arcs, bar lines and the blend arcs between them.

    Args:
        left_radius_mm: Radius of the boss at −length/2, mm.
        right_radius_mm: Radius of the boss at +length/2, mm.

    Returns:
        Closed counter-clockwise loop without corners, starting on the lower bar line.

    Validity: the bar keeps a straight piece between the blends.

    Raises:
        GeometryError: A boss is lower than the bar, or the length leaves no straight piece.
    """
    half, center = body.height_mm / 2, length_mm / 2
    left = blend_reach_mm(body, left_radius_mm) - center
    right = center - blend_reach_mm(body, right_radius_mm)
    if right - left <= SAME_MM:
        raise GeometryError(
            f"a flat bar with {length_mm:g} mm between its fittings has no straight piece left "
            f"between the bosses' blends; it needs more than {length_mm - (right - left):.2f} mm",
            field="length",
            value=length_mm,
        )
    return (
        Line((left, -half), (right, -half)),
        *_end(body, right_radius_mm, center),
        Line((right, half), (left, half)),
        *_half_turn(_end(body, left_radius_mm, center)),
    )


def _end(body: FlatBar, boss_radius_mm: float, center_mm: float) -> Loop:
    """Draw the right-hand end, from the lower to the upper bar line."""
    half, blend = body.height_mm / 2, body.blend_radius_mm
    reach = blend_reach_mm(body, boss_radius_mm)
    if reach == 0.0:
        return (Arc((center_mm, 0.0), half, -90.0, 180.0),)
    if blend <= 0:
        raise GeometryError(
            f"a blend radius of {blend:g} mm cannot join a boss to its bar; it must be above 0",
            field="blend_radius", value=blend, allowed="above 0",
        )
    rise = math.degrees(math.atan2(half + blend, reach))
    x = center_mm - reach
    return (
        Arc((x, -half - blend), blend, 90.0, -(90.0 - rise)),
        Arc((center_mm, 0.0), boss_radius_mm, rise - 180.0, 360.0 - 2 * rise),
        Arc((x, half + blend), blend, -rise, -(90.0 - rise)),
    )


def _half_turn(loop: Loop) -> Loop:
    return tuple(
        Arc((-a.center[0], -a.center[1]), a.radius, a.start_deg + 180.0, a.sweep_deg)
        for a in loop
        if isinstance(a, Arc)
    )
