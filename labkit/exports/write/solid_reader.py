"""Reads a rod's solid as plain numbers: edges, faces, and their courses in the surfaces."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.Geom import (
    Geom_Circle,
    Geom_CylindricalSurface,
    Geom_Line,
    Geom_Plane,
    Geom_SphericalSurface,
    Geom_Surface,
    Geom_ToroidalSurface,
)
from OCP.Geom2d import Geom2d_Line
from OCP.TopAbs import TopAbs_FACE, TopAbs_FORWARD, TopAbs_REVERSED
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Iterator, TopoDS_Vertex
from OCP.TopTools import TopTools_IndexedMapOfShape

from labkit.errors import GeometryError
from labkit.exports.write.solid_parts import Axes, SolidEdge, SolidFace, SolidParts, Use
from labkit.solids.shapes import Shape, bare

#: Ends of neighbouring edges agree to this, in mm or in a surface's parameters.
SAME = 1e-6


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
    """Read a solid made of planes, cylinders, spheres and tori.

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
    raise GeometryError(
        f"a face of the solid is a {type(surface).__name__}; only planes, cylinders, spheres "
        "and tori can be meshed within the chord error asked for"
    )


def _axes(position: Any) -> Axes:
    origin = position.Location()
    vectors = (position.XDirection(), position.YDirection(), position.Direction())
    x, y, z = (np.array((way.X(), way.Y(), way.Z())) for way in vectors)
    return Axes(np.array((origin.X(), origin.Y(), origin.Z())), x, y, z)
