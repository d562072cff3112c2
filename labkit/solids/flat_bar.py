"""Flat bars: bosses, blends, rounded edges, bores and pins, as faces."""

from __future__ import annotations

import math

from OCP.Geom import Geom_Circle, Geom_CylindricalSurface, Geom_ToroidalSurface
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face

from labkit.core.label.lettering import Arc, Line, Piece, Point2
from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.outlines import inset
from labkit.core.rod.rods import FlatBar, Hand
from labkit.core.rod.views import facing
from labkit.solids.body import Body
from labkit.solids.fittings import BUILDERS
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import (
    FULL_TURN,
    Course,
    Ring,
    along,
    arc_span,
    flat_face,
    lie_on,
    make_edge,
    make_face,
    ring,
    walls,
)

QUARTER_TURN = math.pi / 2
#: A piece of the outline gives a wall and two quarter rounds.
FACES_PER_PIECE = 3


def flat_bar(bar: FlatBar, sizes: RodSizes, hand: Hand) -> Body:
    """Make the faces of a flat bar with its fittings, open where the label face belongs.

    Validity: sizes that passed the bar's own check.

    Raises:
        GeometryError: A boss lower than the bar, or no straight piece left.
    """
    frame, ends = ReaderFrame(hand), facing(sizes, hand)
    half, edge = bar.thickness_mm / 2, bar.edge_radius_mm
    outline = bar.outline(ends, sizes.length_mm)
    inner = inset(outline, edge)
    low, high = ring(frame, outline, edge - half), ring(frame, outline, half - edge)
    outward, inward = ring(frame, inner, -half), ring(frame, inner, half)
    faces = walls(frame, low, high)
    faces += _rounded(frame, high, inward, 1) + _rounded(frame, low, outward, -1)
    inward_edges, outward_edges = [inward.courses(True)], [outward.courses(True)]
    for fitting, mount in zip(ends, bar.mounts(ends, sizes.length_mm), strict=True):
        made = BUILDERS[fitting.kind].make(frame, fitting, mount)
        faces += made.faces
        inward_edges += made.inward
        outward_edges += made.outward
    faces.append(flat_face(frame, -half, False, outward_edges))
    return Body(frame, tuple(faces), half, tuple(inward_edges))


def flat_bar_faces(bar: FlatBar, sizes: RodSizes) -> int:
    """Count a flat bar's faces without its fittings': both plane ones, and those of the outline."""
    pieces = len(bar.outline(sizes.fittings, sizes.length_mm))
    return 2 + FACES_PER_PIECE * pieces


def _rounded(frame: ReaderFrame, rim: Ring, face: Ring, sign: int) -> list[TopoDS_Face]:
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
    lie_on(sides[0], surface, (first, rim), (0.0, turn))
    lie_on(sides[1], surface, (last, rim), (0.0, turn))
    return make_face(surface, [_boundary(piece, bounds, sides, rise)])


def _tube_course(convex: bool, up: bool) -> Point2:
    """Give the tube's parameter at the rim, and which way it runs towards the face."""
    if convex:
        return (0.0, 1.0) if up else (FULL_TURN, -1.0)
    return (math.pi, -1.0) if up else (math.pi, 1.0)


