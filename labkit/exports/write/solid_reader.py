"""Reads a rod's solid as plain numbers: edges, faces, and their courses in the surfaces."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from OCP.BRep import BRep_Tool
from OCP.Geom import (
    Geom_Circle,
    Geom_ConicalSurface,
    Geom_CylindricalSurface,
    Geom_Line,
    Geom_Plane,
    Geom_SphericalSurface,
    Geom_Surface,
    Geom_ToroidalSurface,
)
from OCP.Geom2d import Geom2d_Curve, Geom2d_Line
from OCP.TopAbs import TopAbs_FACE, TopAbs_FORWARD, TopAbs_REVERSED
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Iterator, TopoDS_Vertex
from OCP.TopTools import TopTools_IndexedMapOfShape

from labkit.errors import GeometryError
from labkit.solids.shapes import Shape, bare

Floats = NDArray[np.float64]

#: Ends of neighbouring edges agree to this, in mm or in a surface's parameters.
SAME = 1e-6


@dataclass(frozen=True)
class Axes:
    """A coordinate system: origin and unit vectors, each of shape (3,)."""

    origin: Floats
    x: Floats
    y: Floats
    z: Floats


@dataclass(frozen=True)
class SolidEdge:
    """An edge.

    Args:
        vertices: Numbers of its first and last vertex.
        span: First and last parameter: angle on circles, length on lines.
        radius: Radius of a circle in mm, 0 for lines and for a sphere's pole.
        axes: Of a circle, None otherwise.
    """

    vertices: tuple[int, int]
    span: tuple[float, float]
    radius: float
    axes: Axes | None


@dataclass(frozen=True)
class Use:
    """An edge as part of a face's boundary.

    Args:
        course: Its curve in the surface's parameters, None on planes.
        origin: u and v of a straight course at parameter 0.
        step: Change of u and v with the parameter on a straight course, None on a curved one.
    """

    edge: int
    forward: bool
    course: Geom2d_Curve | None
    origin: tuple[float, float]
    step: tuple[float, float] | None

    @property
    def across(self) -> bool:
        """Whether it runs at constant u (a line of the surface's profile)."""
        return self.step is not None and abs(self.step[0]) < 0.5

    def parameter(self, station: float) -> tuple[float, float]:
        """Give (u, v) at one station of the edge's parameter."""
        if self.step is not None:
            (u, v), (du, dv) = self.origin, self.step
            return u + station * du, v + station * dv
        assert self.course is not None
        point = self.course.Value(station)
        return point.X(), point.Y()

    def parameters(self, stations: Floats) -> Floats:
        """Give (u, v) at stations of the edge's parameter, shape (N, 2)."""
        if self.step is not None:
            straight: Floats = np.asarray(self.origin) + stations[:, None] * np.asarray(self.step)
            return straight
        return np.array([self.parameter(float(station)) for station in stations])


@dataclass(frozen=True)
class SolidFace:
    """A face: its surface's kind and sizes, and its boundaries.

    Args:
        kind: "plane", "cylinder", "cone", "sphere" or "torus".
        radius: Cylinder, sphere, torus ring, or cone at v = 0, mm.
        more: Tube radius of a torus in mm, half angle of a cone in radians, else 0.
        reversed: Whether the outward normal is against the surface's own.
        loops: Boundaries, outer first, counter-clockwise in the surface's parameters.
    """

    kind: str
    axes: Axes
    radius: float
    more: float
    reversed: bool
    loops: tuple[tuple[Use, ...], ...]

    def points(self, uv: Floats) -> Floats:
        """Give points at parameters, shape (…, 2) to (…, 3)."""
        u, v = uv[..., 0, None], uv[..., 1, None]
        if self.kind == "cylinder":
            ring, rise = np.full_like(v, self.radius), v
        elif self.kind == "cone":
            ring, rise = self.radius + v * np.sin(self.more), v * np.cos(self.more)
        elif self.kind == "sphere":
            ring, rise = self.radius * np.cos(v), self.radius * np.sin(v)
        else:
            ring, rise = self.radius + self.more * np.cos(v), self.more * np.sin(v)
        axes = self.axes
        turned = np.cos(u) * axes.x + np.sin(u) * axes.y
        points: Floats = axes.origin + ring * turned + rise * axes.z
        return points


@dataclass(frozen=True)
class SolidParts:
    """A solid read: positions of its vertices, its edges and faces."""

    vertices: Floats
    edges: tuple[SolidEdge, ...]
    faces: tuple[SolidFace, ...]


class _Reader:
    """Numbers vertices and edges in the order in which the faces name them."""

    def __init__(self) -> None:
        self._vertex_map = TopTools_IndexedMapOfShape()
        self._edge_map = TopTools_IndexedMapOfShape()
        self.vertices: list[tuple[float, float, float]] = []
        self.edges: list[SolidEdge] = []

    def face(self, face: TopoDS_Face) -> SolidFace:
        """Read one face."""
        surface = BRep_Tool.Surface_s(face)
        kind, radius, more = _surface(surface)
        upright = face.Oriented(TopAbs_FORWARD)
        loops = tuple(
            self._in_order([self._use(edge, upright, kind) for edge in _parts(wire)])
            for wire in _parts(upright)
        )
        turned = face.Orientation() == TopAbs_REVERSED
        return SolidFace(kind, _axes(surface.Position()), radius, more, turned, loops)

    def _in_order(self, uses: list[Use]) -> tuple[Use, ...]:
        """Put a boundary's edges end to end; ours are, the kernel's own shapes need not be."""
        rest = [(use, *self._ends(use)) for use in uses]
        ordered = [rest.pop(0)]
        while rest:
            here = ordered[-1][2]
            at = next((i for i, one in enumerate(rest) if math.dist(one[1], here) < SAME), None)
            if at is None:
                raise GeometryError("a face's boundary has a gap; the solid cannot be meshed")
            ordered.append(rest.pop(at))
        return tuple(use for use, _, _ in ordered)

    def _ends(self, use: Use) -> tuple[Sequence[float], Sequence[float]]:
        """Give where a use starts and ends: in the parameters, which tell a seam's sides apart."""
        edge = self.edges[use.edge]
        first: Sequence[float]
        last: Sequence[float]
        if use.course is None:
            first, last = (self.vertices[number] for number in edge.vertices)
        else:
            first, last = (use.parameter(at) for at in edge.span)
        return (first, last) if use.forward else (last, first)

    def _use(self, shape: Any, face: Any, kind: str) -> Use:
        edge = TopoDS.Edge_s(shape)
        forward = edge.Orientation() == TopAbs_FORWARD
        index = self._edge_map.Add(edge) - 1
        if index == len(self.edges):
            self.edges.append(self._edge(TopoDS.Edge_s(edge.Oriented(TopAbs_FORWARD))))
        if kind == "plane":
            return Use(index, forward, None, (0.0, 0.0), None)
        course = BRep_Tool.CurveOnSurface_s(edge, TopoDS.Face_s(face), 0.0, 0.0)
        if not isinstance(course, Geom2d_Line):
            return Use(index, forward, course, (0.0, 0.0), None)
        start, way = course.Location(), course.Direction()
        return Use(index, forward, course, (start.X(), start.Y()), (way.X(), way.Y()))

    def _edge(self, edge: TopoDS_Edge) -> SolidEdge:
        ends = (
            self._vertex(TopExp.FirstVertex_s(edge)), self._vertex(TopExp.LastVertex_s(edge))
        )
        span = BRep_Tool.Range_s(edge)
        if BRep_Tool.Degenerated_s(edge):
            return SolidEdge(ends, span, 0.0, None)
        curve = BRep_Tool.Curve_s(edge, 0.0, 0.0)
        if isinstance(curve, Geom_Circle):
            circle = curve.Circ()
            return SolidEdge(ends, span, circle.Radius(), _axes(circle.Position()))
        if isinstance(curve, Geom_Line):
            return SolidEdge(ends, span, 0.0, None)
        raise GeometryError(
            f"an edge of the solid is a {type(curve).__name__}; only lines and circles can be "
            "meshed within the chord error asked for"
        )

    def _vertex(self, vertex: TopoDS_Vertex) -> int:
        index: int = self._vertex_map.Add(vertex) - 1
        if index == len(self.vertices):
            point = BRep_Tool.Pnt_s(vertex)
            self.vertices.append((point.X(), point.Y(), point.Z()))
        return index


def read_solid(shape: Shape) -> SolidParts:
    """Read a solid made of planes, cylinders, cones, spheres and tori.

    Raises:
        GeometryError: Another kind of surface or edge.
    """
    reader, faces = _Reader(), []
    explorer = TopExp_Explorer(bare(shape), TopAbs_FACE)
    while explorer.More():
        faces.append(reader.face(TopoDS.Face_s(explorer.Current())))
        explorer.Next()
    return SolidParts(np.array(reader.vertices), tuple(reader.edges), tuple(faces))


def _parts(shape: Any) -> Iterator[Any]:
    iterator = TopoDS_Iterator(shape)
    while iterator.More():
        yield iterator.Value()
        iterator.Next()


def _surface(surface: Geom_Surface) -> tuple[str, float, float]:
    if isinstance(surface, Geom_Plane):
        return "plane", 0.0, 0.0
    if isinstance(surface, Geom_CylindricalSurface):
        return "cylinder", surface.Radius(), 0.0
    if isinstance(surface, Geom_ToroidalSurface):
        return "torus", surface.MajorRadius(), surface.MinorRadius()
    if isinstance(surface, Geom_SphericalSurface):
        return "sphere", surface.Radius(), 0.0
    if isinstance(surface, Geom_ConicalSurface):
        return "cone", surface.RefRadius(), surface.SemiAngle()
    raise GeometryError(
        f"a face of the solid is a {type(surface).__name__}; only planes, cylinders, cones, "
        "spheres and tori can be meshed within the chord error asked for"
    )


def _axes(position: Any) -> Axes:
    origin = position.Location()
    vectors = (position.XDirection(), position.YDirection(), position.Direction())
    x, y, z = (np.array((way.X(), way.Y(), way.Z())) for way in vectors)
    return Axes(np.array((origin.X(), origin.Y(), origin.Z())), x, y, z)
