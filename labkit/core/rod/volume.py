"""Closed-form volume, envelope and label volume of a rod, from its parameters alone.

Nothing here is shared with the code that builds the solids: two roads to one number.
"""

from __future__ import annotations

import math

from labkit.core.label.lettering import Engraving
from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.outlines import region_area_mm2
from labkit.core.rod.rods import CHAMFER_PART, Ball, Crosspin, Eye, Fitting, FlatBar, Hand, RoundBar
from labkit.errors import GeometryError

Box = tuple[tuple[float, float, float], tuple[float, float, float]]


def body_volume_mm3(sizes: RodSizes) -> float:
    """Work out the volume of a rod without its label.

    Formula: flat bar: outline area × thickness − rounded edges (Pappus) − bores + pins;
    round bar: cylinder + two domes − flat + necks + balls.

    Validity: sizes that make a part (a straight piece between the blends or domes, edges rounded
    by less than half of the thickness, a flat that reaches neither neck).

    Raises:
        GeometryError: The fittings do not belong on this body.

    Source: Pappus's second theorem; spherical cap π h² (3 r − h) / 3.
    """
    if isinstance(sizes.body, FlatBar):
        return _flat_bar_mm3(sizes.body, sizes)
    return _round_bar_mm3(sizes.body, sizes)


def label_volume_mm3(engraving: Engraving, depth_mm: float) -> float:
    """Work out the volume that an engraving takes away.

    Formula: area of its regions × depth.

    Args:
        engraving: Laid-out label, mm.
    """
    return math.fsum(region_area_mm2(region) for region in engraving.regions()) * depth_mm


def envelope_mm(sizes: RodSizes, hand: Hand) -> Box:
    """Work out the bounding box of a rod in the rod frame.

    Args:
        hand: Which way the inward face looks.

    Returns:
        Least and greatest corner, mm.
    """
    half = sizes.length_mm / 2
    lower, upper = (_reach_mm(fitting) for fitting in sizes.fittings)
    if isinstance(sizes.body, FlatBar):
        height = max(sizes.body.height_mm / 2, lower, upper)
        outward = sizes.body.thickness_mm / 2
        inward = outward + max(_standing_mm(fitting) for fitting in sizes.fittings)
    else:
        radius = sizes.body.diameter_mm / 2
        height = outward = max(radius, lower, upper)
        inward = max(radius - sizes.body.flat_depth_mm, lower, upper)
    low_y, high_y = sorted((hand.inward_y * inward, -hand.inward_y * outward))
    return ((-half - lower, low_y, -height), (half + upper, high_y, height))


def _reach_mm(fitting: Fitting) -> float:
    if isinstance(fitting, Ball):
        return fitting.ball_diameter_mm / 2
    if isinstance(fitting, Crosspin):
        return max(fitting.boss_diameter_mm, fitting.lip_diameter_mm) / 2
    return fitting.boss_diameter_mm / 2


def _standing_mm(fitting: Fitting) -> float:
    if isinstance(fitting, Crosspin):
        return fitting.pin_length_mm + fitting.lip_thickness_mm
    return 0.0


def _flat_bar_mm3(bar: FlatBar, sizes: RodSizes) -> float:
    """Add up both ends and the straight piece between them, edges rounded."""
    volume, straight = 0.0, sizes.length_mm
    for fitting in sizes.fittings:
        if isinstance(fitting, Ball):
            raise GeometryError("a ball cannot stand on a flat bar; use a round bar")
        reach, end_mm3 = _flat_end_mm3(bar, fitting.boss_diameter_mm / 2)
        straight -= reach
        volume += end_mm3
        volume += _bore_or_pin_mm3(fitting, bar.thickness_mm)
    spandrel, _ = _spandrel(bar.edge_radius_mm)
    section = bar.height_mm * bar.thickness_mm - 4 * spandrel
    return volume + section * straight


def _flat_end_mm3(bar: FlatBar, boss: float) -> tuple[float, float]:
    """Work out reach and volume of one end: boss, two blends, up to the blends' tangent points."""
    half, blend = bar.height_mm / 2, bar.blend_radius_mm
    reach = math.sqrt(max(0.0, (boss + blend) ** 2 - (half + blend) ** 2))
    rise = math.atan2(half + blend, reach)
    convex, concave = 2 * math.pi - 2 * rise, math.pi - 2 * rise
    if reach == 0.0:
        convex, concave = math.pi, 0.0
    # Boss sector, then twice the right triangle boss centre - foot - blend centre less the
    # blend's sector in it.
    area = boss**2 * convex / 2 + reach * (half + blend) - blend**2 * concave / 2
    spandrel, moment = _spandrel(bar.edge_radius_mm)
    removed = convex * (spandrel * boss - moment) + concave * (spandrel * blend + moment)
    return reach, area * bar.thickness_mm - 2 * removed


def _spandrel(radius: float) -> tuple[float, float]:
    """Give area, and first moment about the outer side, of what rounding takes off a corner."""
    return radius**2 * (1 - math.pi / 4), radius**3 * (5 / 6 - math.pi / 4)


def _bore_or_pin_mm3(fitting: Eye | Crosspin, thickness: float) -> float:
    if isinstance(fitting, Eye):
        return -math.pi * (fitting.bore_diameter_mm / 2) ** 2 * thickness
    lip, chamfer = fitting.lip_diameter_mm / 2, CHAMFER_PART * fitting.lip_thickness_mm
    ring = 2 * math.pi * (lip - chamfer / 3) * chamfer**2 / 2
    pin = math.pi * (fitting.pin_diameter_mm / 2) ** 2 * fitting.pin_length_mm
    return pin + math.pi * lip**2 * fitting.lip_thickness_mm - 2 * ring


def _round_bar_mm3(bar: RoundBar, sizes: RodSizes) -> float:
    radius, flat = bar.diameter_mm / 2, bar.flat_depth_mm
    straight = sizes.length_mm
    volume = 0.0
    for fitting in sizes.fittings:
        if not isinstance(fitting, Ball):
            raise GeometryError(f"a fitting of kind {fitting.kind} cannot stand on a round bar; "
                                "use balls, or a flat bar")
        straight -= fitting.neck_length_mm + radius
        volume += _ball_end_mm3(fitting, radius)
    rest = radius - flat
    segment = radius**2 * math.acos(rest / radius) - rest * math.sqrt(radius**2 - rest**2)
    # The flat takes half a spherical cap off each dome: together one whole cap.
    return volume + (math.pi * radius**2 - segment) * straight - _cap_mm3(radius, flat)


def _ball_end_mm3(ball: Ball, dome: float) -> float:
    """Work out ball, neck and dome of one end, before the flat."""
    neck, sphere = ball.neck_diameter_mm / 2, ball.ball_diameter_mm / 2
    at_dome, at_ball = math.sqrt(dome**2 - neck**2), math.sqrt(sphere**2 - neck**2)
    neck_length = ball.neck_length_mm + dome - at_dome - at_ball
    return (
        4 / 3 * math.pi * sphere**3 - _cap_mm3(sphere, sphere - at_ball)
        + math.pi * neck**2 * neck_length
        + 2 / 3 * math.pi * dome**3 - _cap_mm3(dome, dome - at_dome)
    )


def _cap_mm3(radius: float, height: float) -> float:
    return math.pi * height**2 * (3 * radius - height) / 3
