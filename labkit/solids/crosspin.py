"""Crosspins: a pin on the inward face with a chamfered lip, as faces."""

from __future__ import annotations

import math

from OCP.Geom import Geom_ConicalSurface, Geom_Line
from OCP.TopoDS import TopoDS_Face

from labkit.core.label.lettering import Arc, Point2
from labkit.core.rod.fittings import Crosspin, Mount
from labkit.solids.body import FittingFaces
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


def crosspin(frame: ReaderFrame, pin: Crosspin, mount: Mount) -> FittingFaces:
    """Make pin and lip on their foot circle in the inward face.

    Returns:
        Six faces: pin, underside of the lip, chamfer, lip, chamfer, end.
    """
    chamfer, center = pin.chamfer_mm, (mount.x_mm, 0.0)
    lip, rod = pin.lip_diameter_mm / 2, pin.pin_diameter_mm / 2
    foot = _circle(frame, center, rod, mount.face_mm)
    under = foot.height + pin.pin_length_mm
    end = under + pin.lip_thickness_mm
    neck = _circle(frame, center, rod, under)
    stack = [
        _circle(frame, center, lip - chamfer, under),
        _circle(frame, center, lip, under + chamfer),
        _circle(frame, center, lip, end - chamfer),
        _circle(frame, center, lip - chamfer, end),
    ]
    faces = (
        *walls(frame, foot, neck),
        flat_face(frame, under, False, [stack[0].courses(True), neck.courses(False)]),
        _cone(frame, center, stack[0], stack[1]),
        *walls(frame, stack[1], stack[2]),
        _cone(frame, center, stack[2], stack[3]),
        flat_face(frame, end, True, [stack[3].courses(True)]),
    )
    return FittingFaces(faces, (foot.courses(False),))


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
