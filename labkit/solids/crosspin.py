"""Crosspins: a pin on the inward face with a chamfered lip, as faces."""

from __future__ import annotations

import math

from OCP.Geom import Geom_ConicalSurface, Geom_Line
from OCP.TopoDS import TopoDS_Face

from labkit.core.label.lettering import Arc, Point2
from labkit.core.rod.rods import CHAMFER_PART, Crosspin
from labkit.errors import GeometryError
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import (
    FULL_TURN,
    Ring,
    flat_face,
    lie_on,
    lie_on_seam,
    make_edge,
    make_face,
    ring,
    walls,
)


def crosspin(frame: ReaderFrame, pin: Crosspin, foot: Ring, center: Point2) -> list[TopoDS_Face]:
    """Make the faces of a pin and its lip on top of its foot circle.

    Args:
        frame: Reader's frame.
        foot: Circle in the inward face on which the pin stands, counter-clockwise.
        center: u and v of the pin's axis, mm.

    Returns:
        Six faces: pin, underside of the lip, chamfer, lip, chamfer, end.

    Raises:
        GeometryError: The lip is too narrow for the pin and its chamfer.
    """
    chamfer = CHAMFER_PART * pin.lip_thickness_mm
    lip, rod = pin.lip_diameter_mm / 2, pin.pin_diameter_mm / 2
    if not 0.0 < rod < lip - chamfer:
        raise GeometryError(
            f"a lip of {pin.lip_diameter_mm:g} mm with chamfers of {chamfer:g} mm does not hold "
            f"on a pin of {pin.pin_diameter_mm:g} mm; it must be wider than "
            f"{pin.pin_diameter_mm + 2 * chamfer:g} mm",
            field="lip_diameter", value=pin.lip_diameter_mm,
            allowed=f"above {pin.pin_diameter_mm + 2 * chamfer:g} mm",
        )
    under = foot.height + pin.pin_length_mm
    end = under + pin.lip_thickness_mm
    neck = _circle(frame, center, rod, under)
    stack = [
        _circle(frame, center, lip - chamfer, under),
        _circle(frame, center, lip, under + chamfer),
        _circle(frame, center, lip, end - chamfer),
        _circle(frame, center, lip - chamfer, end),
    ]
    return [
        *walls(frame, foot, neck),
        flat_face(frame, under, False, [stack[0].courses(True), neck.courses(False)]),
        _cone(frame, center, stack[0], stack[1]),
        *walls(frame, stack[1], stack[2]),
        _cone(frame, center, stack[2], stack[3]),
        flat_face(frame, end, True, [stack[3].courses(True)]),
    ]


def _circle(frame: ReaderFrame, center: Point2, radius: float, height: float) -> Ring:
    return ring(frame, (Arc(center, radius, 0.0, 360.0),), height)


def _cone(frame: ReaderFrame, center: Point2, low: Ring, high: Ring) -> TopoDS_Face:
    """Make the cone between two circles; its axis points to the wider one (STEP: angle > 0)."""
    (u0, v0), (u1, v1) = low.points[0], high.points[0]
    rise, widening = high.height - low.height, u1 - u0
    slant = math.hypot(rise, widening)
    seam = make_edge(
        Geom_Line(frame.point(u0, v0, low.height), frame.direction(u1 - u0, v1 - v0, rise)),
        (low.vertices[0], high.vertices[0]), (0.0, slant),
    )
    angle = math.atan2(abs(widening), rise)
    if widening > 0:
        axes = frame.axes((*center, low.height), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
        surface = Geom_ConicalSurface(axes, angle, u0 - center[0])
        lie_on(low.edges[0], surface, (0.0, 0.0), (1.0, 0.0))
        lie_on(high.edges[0], surface, (0.0, slant), (1.0, 0.0))
        lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
    else:
        axes = frame.axes((*center, high.height), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0))
        surface = Geom_ConicalSurface(axes, angle, u1 - center[0])
        lie_on(low.edges[0], surface, (FULL_TURN, slant), (-1.0, 0.0))
        lie_on(high.edges[0], surface, (FULL_TURN, 0.0), (-1.0, 0.0))
        lie_on_seam(seam, surface, ((0.0, slant), (FULL_TURN, slant)), (0.0, -1.0))
    boundary = [(low.edges[0], True), (seam, True), (high.edges[0], False), (seam, False)]
    return make_face(surface, [boundary])
