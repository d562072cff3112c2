"""Vertices, edges and faces put together directly, sharing what they share.

Rods are made of planes and simple surfaces of revolution whose edges run along the surfaces'
own parameter lines. Writing that topology down takes a tenth of the time of the kernel's
booleans and fillets, and leaves nothing to a tolerance. `guard` checks the outcome.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from OCP.BRep import BRep_Builder
from OCP.Geom import (
    Geom_Circle,
    Geom_Curve,
    Geom_CylindricalSurface,
    Geom_Line,
    Geom_Plane,
    Geom_Surface,
)
from OCP.Geom2d import Geom2d_Curve, Geom2d_Line
from OCP.Geom2dAPI import Geom2dAPI_Interpolate
from OCP.gp import gp_Dir2d, gp_Pnt, gp_Pnt2d
from OCP.TColgp import TColgp_HArray1OfPnt2d
from OCP.TColStd import TColStd_HArray1OfReal
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Vertex, TopoDS_Wire

from labkit.core.label.lettering import Line, Piece, Point2
from labkit.core.rod.curves import along, arc_span, loop_vertices
from labkit.core.rod.outlines import Loop
from labkit.solids.frame import ReaderFrame

#: The kernel's own point tolerance (Precision::Confusion), mm.
TOLERANCE_MM = 1e-7
FULL_TURN = 2 * math.pi

_BUILDER = BRep_Builder()
_HERE = TopLoc_Location()

#: An edge and whether the face's boundary runs along it (True) or against it.
Course = tuple[TopoDS_Edge, bool]


@dataclass(frozen=True)
class Ring:
    """A closed loop of the reader's (u, v) plane, as edges at one height n.

    Args:
        height: n of the ring, mm.
        points: Start of each piece.
        edges: One edge for each piece; an arc's edge runs counter-clockwise whatever the piece.
    """

    loop: Loop
    height: float
    points: tuple[Point2, ...]
    vertices: tuple[TopoDS_Vertex, ...]
    edges: tuple[TopoDS_Edge, ...]

    def courses(self, forward: bool) -> list[Course]:
        """Give the edges in the order of the loop, or all the other way round."""
        pairs = [
            (edge, along(piece) is forward)
            for edge, piece in zip(self.edges, self.loop, strict=True)
        ]
        return pairs if forward else pairs[::-1]


def make_vertex(point: gp_Pnt) -> TopoDS_Vertex:
    """Make a vertex."""
    vertex = TopoDS_Vertex()
    _BUILDER.MakeVertex(vertex, point, TOLERANCE_MM)
    return vertex


def make_edge(
    curve: Geom_Curve, ends: tuple[TopoDS_Vertex, TopoDS_Vertex], span: tuple[float, float]
) -> TopoDS_Edge:
    """Make an edge on a curve between two vertices.

    Args:
        ends: Vertices at its first and last parameter; twice the same one on a full circle.
    """
    edge = TopoDS_Edge()
    _BUILDER.MakeEdge(edge, curve, TOLERANCE_MM)
    _BUILDER.Add(edge, ends[0])
    _BUILDER.Add(edge, ends[1].Reversed())
    _BUILDER.Range(edge, *span)
    return edge


def ring(frame: ReaderFrame, loop: Loop, height: float) -> Ring:
    """Make the vertices and edges of a loop at one height.

    Args:
        loop: Closed loop of the (u, v) plane, mm.
    """
    points = loop_vertices(loop)
    vertices = tuple(make_vertex(frame.point(u, v, height)) for u, v in points)
    edges = []
    for index, piece in enumerate(loop):
        ends = (vertices[index], vertices[(index + 1) % len(loop)])
        edges.append(_piece_edge(frame, piece, height, ends))
    return Ring(loop, height, points, vertices, tuple(edges))


def _piece_edge(
    frame: ReaderFrame, piece: Piece, height: float, ends: tuple[TopoDS_Vertex, TopoDS_Vertex]
) -> TopoDS_Edge:
    if isinstance(piece, Line):
        (u0, v0), (u1, v1) = piece.start, piece.end
        line = Geom_Line(frame.point(u0, v0, height), frame.direction(u1 - u0, v1 - v0, 0.0))
        return make_edge(line, ends, (0.0, math.dist(piece.start, piece.end)))
    axes = frame.circle_axes((*piece.center, height), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
    if not along(piece):
        ends = (ends[1], ends[0])
    return make_edge(Geom_Circle(axes, piece.radius), ends, arc_span(piece))


def lie_on(
    edge: TopoDS_Edge, surface: Geom_Surface, start: Point2, direction: Point2
) -> None:
    """Give an edge its straight course in a surface's parameters.

    Formula: start + parameter · direction.

    Args:
        start: Surface parameters at the edge's parameter 0.
        direction: Change of the surface parameters for one unit of it.
    """
    _BUILDER.UpdateEdge(edge, _line2d(start, direction), surface, _HERE, TOLERANCE_MM)


def lie_on_seam(
    edge: TopoDS_Edge, surface: Geom_Surface, starts: tuple[Point2, Point2], direction: Point2
) -> None:
    """Give a seam its two courses: the one of its forward use, then the one of its reversed.

    Args:
        starts: Surface parameters at the edge's parameter 0, of its forward and its reversed use.
    """
    forward, backward = (_line2d(start, direction) for start in starts)
    _BUILDER.UpdateEdge(edge, forward, backward, surface, _HERE, TOLERANCE_MM)


def lie_on_curve(edge: TopoDS_Edge, surface: Geom_Surface, curve2d: Geom2d_Curve) -> None:
    """Give an edge a curved course in a surface's parameters.

    Args:
        curve2d: Surface parameters at each of the edge's parameters.
    """
    _BUILDER.UpdateEdge(edge, curve2d, surface, _HERE, TOLERANCE_MM)


def interpolated2d(points: Sequence[Point2], parameters: Sequence[float]) -> Geom2d_Curve:
    """Interpolate a parameter curve through points at given parameters.

    Args:
        points: Surface parameters to pass through.
        parameters: Parameter of the curve at each, rising.
    """
    array = TColgp_HArray1OfPnt2d(1, len(points))
    knots = TColStd_HArray1OfReal(1, len(points))
    for index, (point, parameter) in enumerate(zip(points, parameters, strict=True), start=1):
        array.SetValue(index, gp_Pnt2d(*point))
        knots.SetValue(index, parameter)
    fit = Geom2dAPI_Interpolate(array, knots, False, TOLERANCE_MM)
    fit.Perform()
    return fit.Curve()


def make_pole(vertex: TopoDS_Vertex, surface: Geom_Surface, latitude: float) -> TopoDS_Edge:
    """Make the edge without length at which a sphere's parameters close.

    Args:
        latitude: Its second parameter there, radians.
    """
    edge = TopoDS_Edge()
    _BUILDER.MakeEdge(edge)
    _BUILDER.Add(edge, vertex)
    _BUILDER.Add(edge, vertex.Reversed())
    lie_on(edge, surface, (0.0, latitude), (1.0, 0.0))
    _BUILDER.Range(edge, 0.0, FULL_TURN)
    _BUILDER.Degenerated(edge, True)
    return edge


def make_face(
    surface: Geom_Surface, boundaries: Iterable[Sequence[Course]], outward: bool = True
) -> TopoDS_Face:
    """Make a face.

    Args:
        boundaries: Courses, each counter-clockwise about the face (holes clockwise) in the
            surface's own parameters.
        outward: Whether the surface's own normal points out of the material.

    Returns:
        The face, oriented so that its normal points out of the material.
    """
    face = TopoDS_Face()
    _BUILDER.MakeFace(face, surface, TOLERANCE_MM)
    for boundary in boundaries:
        wire = TopoDS_Wire()
        _BUILDER.MakeWire(wire)
        for edge, forward in boundary:
            _BUILDER.Add(wire, edge if forward else edge.Reversed())
        wire.Closed(True)
        _BUILDER.Add(face, wire)
    return face if outward else face.Reversed()


def flat_face(
    frame: ReaderFrame, height: float, up: bool, boundaries: Iterable[Sequence[Course]]
) -> TopoDS_Face:
    """Make a plane face at one height n.

    Args:
        up: Whether its outward normal is +n.
        boundaries: Courses seen from +n whichever way the face looks, material on their left:
            the outer one counter-clockwise, holes clockwise.
    """
    plane = Geom_Plane(frame.axes((0.0, 0.0, height), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)))
    return make_face(plane, boundaries, outward=up)


def walls(frame: ReaderFrame, low: Ring, high: Ring) -> list[TopoDS_Face]:
    """Make the walls between two rings of one loop, with the material on the loop's left.

    Args:
        high: Ring of the same loop at the head, at a greater n.

    Returns:
        One face for each piece of the loop.
    """
    rise = high.height - low.height
    posts = [
        make_edge(
            Geom_Line(frame.point(u, v, low.height), frame.direction(0.0, 0.0, 1.0)),
            (foot, head), (0.0, rise),
        )
        for (u, v), foot, head in zip(low.points, low.vertices, high.vertices, strict=True)
    ]
    faces = []
    for index, piece in enumerate(low.loop):
        sides = (posts[index], posts[(index + 1) % len(posts)])
        bounds = (low.edges[index], high.edges[index])
        if isinstance(piece, Line):
            faces.append(_plane_wall(frame, piece, low.height, bounds, sides))
        else:
            faces.append(_round_wall(frame, piece, (low.height, rise), bounds, sides))
    return faces


def _plane_wall(
    frame: ReaderFrame,
    piece: Line,
    height: float,
    bounds: tuple[TopoDS_Edge, TopoDS_Edge],
    sides: tuple[TopoDS_Edge, TopoDS_Edge],
) -> TopoDS_Face:
    du, dv = piece.end[0] - piece.start[0], piece.end[1] - piece.start[1]
    plane = Geom_Plane(frame.axes((*piece.start, height), (dv, -du, 0.0), (du, dv, 0.0)))
    (low, high), (first, last) = bounds, sides
    return make_face(plane, [[(low, True), (last, True), (high, False), (first, False)]])


def _round_wall(
    frame: ReaderFrame,
    piece: Piece,
    level: tuple[float, float],
    bounds: tuple[TopoDS_Edge, TopoDS_Edge],
    sides: tuple[TopoDS_Edge, TopoDS_Edge],
) -> TopoDS_Face:
    assert not isinstance(piece, Line)
    height, rise = level
    axes = frame.axes((*piece.center, height), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))
    surface = Geom_CylindricalSurface(axes, piece.radius)
    start, end = arc_span(piece)
    first, last = sides if along(piece) else (sides[1], sides[0])
    lie_on(bounds[0], surface, (0.0, 0.0), (1.0, 0.0))
    lie_on(bounds[1], surface, (0.0, rise), (1.0, 0.0))
    if first is last:
        lie_on_seam(first, surface, ((end, 0.0), (start, 0.0)), (0.0, 1.0))
    else:
        lie_on(first, surface, (start, 0.0), (0.0, 1.0))
        lie_on(last, surface, (end, 0.0), (0.0, 1.0))
    boundary = [(bounds[0], True), (last, True), (bounds[1], False), (first, False)]
    return make_face(surface, [boundary], outward=along(piece))


def _line2d(start: Point2, direction: Point2) -> Geom2d_Line:
    return Geom2d_Line(gp_Pnt2d(*start), gp_Dir2d(*direction))
