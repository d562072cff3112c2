"""Rounded edges and fillets as faces: quarter cylinders along lines, tori round arcs."""

from __future__ import annotations

import math

from OCP.Geom import Geom_Circle, Geom_CylindricalSurface, Geom_ToroidalSurface
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face

from labkit.core.label.lettering import Arc, Line, Piece, Point2
from labkit.core.rod.curves import along, arc_span
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import (
    FULL_TURN,
    Course,
    Ring,
    lie_on,
    lie_on_seam,
    make_edge,
    make_face,
)

QUARTER_TURN = math.pi / 2


def rounded(frame: ReaderFrame, rim: Ring, face: Ring, sign: int) -> list[TopoDS_Face]:
    """Make the quarter rounds between the side walls and a face.

    Args:
        rim: Ring where the side walls end.
        face: Ring where the plane face begins, set in by the edge radius.
        sign: +1 for the inward (upper) face, -1 for the outward one.

    Returns:
        One face for each piece of the outline: quarter cylinders along lines, tori round arcs.
    """
    radius = abs(face.height - rim.height)
    meridians = [
        _meridian(frame, rim, face, index, sign * radius) for index in range(len(rim.loop))
    ]
    faces = []
    for index, piece in enumerate(rim.loop):
        sides = (meridians[index], meridians[(index + 1) % len(meridians)])
        bounds = (rim.edges[index], face.edges[index])
        level = (rim.height, sign * radius)
        if isinstance(piece, Line):
            faces.append(_round_on_line(frame, piece, level, bounds, sides))
        else:
            faces.append(_round_on_arc(frame, piece, level, bounds, sides))
    return faces


def _meridian(
    frame: ReaderFrame, rim: Ring, face: Ring, index: int, rise: float
) -> TopoDS_Edge:
    """Make the quarter circle from rim to face at the start of a piece."""
    (u0, v0), (u1, v1) = rim.points[index], face.points[index]
    out = (u0 - u1, v0 - v1, 0.0)
    main = (out[1] * rise, -out[0] * rise, 0.0)
    circle = Geom_Circle(frame.circle_axes((u1, v1, rim.height), main, out), abs(rise))
    ends = (rim.vertices[index], face.vertices[index])
    return make_edge(circle, ends, (0.0, QUARTER_TURN))


def _boundary(
    piece: Piece,
    bounds: tuple[TopoDS_Edge, TopoDS_Edge],
    sides: tuple[TopoDS_Edge, TopoDS_Edge],
    sign: float,
) -> list[Course]:
    """Run round a quarter round, counter-clockwise seen from outside."""
    (rim, face), (first, last) = bounds, sides
    forward = along(piece)
    if sign > 0:
        return [(rim, forward), (last, True), (face, not forward), (first, False)]
    return [(rim, not forward), (first, True), (face, forward), (last, False)]


def _round_on_line(
    frame: ReaderFrame,
    piece: Line,
    level: tuple[float, float],
    bounds: tuple[TopoDS_Edge, TopoDS_Edge],
    sides: tuple[TopoDS_Edge, TopoDS_Edge],
) -> TopoDS_Face:
    height, rise = level
    sign, radius = math.copysign(1.0, rise), abs(rise)
    length = math.dist(piece.start, piece.end)
    du, dv = (piece.end[0] - piece.start[0]) / length, (piece.end[1] - piece.start[1]) / length
    center = (piece.start[0] - radius * dv, piece.start[1] + radius * du, height)
    surface = Geom_CylindricalSurface(
        frame.axes(center, (-sign * du, -sign * dv, 0.0), (dv, -du, 0.0)), radius
    )
    lie_on(bounds[0], surface, (0.0, 0.0), (0.0, -sign))
    lie_on(bounds[1], surface, (QUARTER_TURN, 0.0), (0.0, -sign))
    lie_on(sides[0], surface, (0.0, 0.0), (1.0, 0.0))
    lie_on(sides[1], surface, (0.0, -sign * length), (1.0, 0.0))
    return make_face(surface, [_boundary(piece, bounds, sides, sign)])


def _round_on_arc(
    frame: ReaderFrame,
    piece: Arc,
    level: tuple[float, float],
    bounds: tuple[TopoDS_Edge, TopoDS_Edge],
    sides: tuple[TopoDS_Edge, TopoDS_Edge],
) -> TopoDS_Face:
    height, rise = level
    convex = along(piece)
    tube = abs(rise)
    ring_radius = piece.radius - tube if convex else piece.radius + tube
    axes = frame.axes((*piece.center, height), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
    surface = Geom_ToroidalSurface(axes, ring_radius, tube)
    rim, turn = _tube_course(convex, rise > 0)
    lie_on(bounds[0], surface, (0.0, rim), (1.0, 0.0))
    lie_on(bounds[1], surface, (0.0, rim + turn * QUARTER_TURN), (1.0, 0.0))
    start, end = arc_span(piece)
    first, last = (start, end) if convex else (end, start)
    if sides[0] is sides[1]:
        before, after = (last, first) if rise > 0 else (first, last)
        lie_on_seam(sides[0], surface, ((before, rim), (after, rim)), (0.0, turn))
    else:
        lie_on(sides[0], surface, (first, rim), (0.0, turn))
        lie_on(sides[1], surface, (last, rim), (0.0, turn))
    return make_face(surface, [_boundary(piece, bounds, sides, rise)])


def _tube_course(convex: bool, up: bool) -> Point2:
    """Give the tube's parameter at the rim, and which way it runs towards the face."""
    if convex:
        return (0.0, 1.0) if up else (FULL_TURN, -1.0)
    return (math.pi, -1.0) if up else (math.pi, 1.0)


def fillet(frame: ReaderFrame, center: Point2, foot: Ring, start: Ring) -> TopoDS_Face:
    """Make the fillet between a circle in a plane face and one on the cylinder that stands on it.

    Args:
        center: Of both circles.
        foot: The circle in the face, wider by the fillet's radius than `start`.
        start: The circle on the cylinder, higher by as much.
    """
    radius = start.height - foot.height
    (u, v), height = foot.points[0], start.height
    axes = frame.axes((*center, height), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
    surface = Geom_ToroidalSurface(axes, math.dist((u, v), center), radius)
    tube = Geom_Circle(
        frame.circle_axes((u, v, height), (0.0, -1.0, 0.0), (-1.0, 0.0, 0.0)), radius
    )
    seam = make_edge(tube, (start.vertices[0], foot.vertices[0]), (0.0, QUARTER_TURN))
    high, low = start.edges[0], foot.edges[0]
    lie_on(high, surface, (0.0, math.pi), (1.0, 0.0))
    lie_on(low, surface, (0.0, math.pi + QUARTER_TURN), (1.0, 0.0))
    lie_on_seam(seam, surface, ((FULL_TURN, math.pi), (0.0, math.pi)), (0.0, 1.0))
    boundary = [(high, True), (seam, True), (low, False), (seam, False)]
    return make_face(surface, [boundary], outward=False)
