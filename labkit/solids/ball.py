"""Balls: a neck and a sphere about the rod's axis, as faces."""

from __future__ import annotations

import math

from OCP.Geom import Geom_CylindricalSurface, Geom_Line
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Vertex

from labkit.core.rod.fittings import Ball, Mount
from labkit.solids.body import FittingFaces, Foot
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import (
    FULL_TURN,
    lie_on,
    lie_on_seam,
    make_edge,
    make_face,
    make_pole,
    make_vertex,
)
from labkit.solids.turned import TurnedEnd


def ball(frame: ReaderFrame, fitting: Ball, mount: Mount) -> FittingFaces:
    """Make neck and ball, and the circle where the neck meets the bar."""
    end = TurnedEnd(frame, -round(mount.inward))
    neck, sphere = fitting.neck_diameter_mm / 2, fitting.ball_diameter_mm / 2
    at_ball = mount.x_mm - end.side * fitting.neck_from_mm
    low_vertex, low = end.closed_circle(mount.end_mm, neck)
    high_vertex, high = end.closed_circle(at_ball, neck)
    span, ends = (mount.end_mm, at_ball), (low_vertex, high_vertex)
    faces = (
        _neck(end, neck, span, (low, high), ends),
        _ball(end, sphere, mount.x_mm, high, (high_vertex, math.acos(neck / sphere))),
    )
    return FittingFaces(faces, foot=Foot(low_vertex, low, neck))


def _neck(
    end: TurnedEnd,
    radius: float,
    span: tuple[float, float],
    circles: tuple[TopoDS_Edge, TopoDS_Edge],
    ends: tuple[TopoDS_Vertex, TopoDS_Vertex],
) -> TopoDS_Face:
    start, length = span[0], abs(span[1] - span[0])
    axes = end.frame.axes((start, 0.0, 0.0), end.axis, (0.0, 0.0, -1.0))
    surface = Geom_CylindricalSurface(axes, radius)
    line = Geom_Line(end.frame.point(start, 0.0, -radius), end.frame.direction(*end.axis))
    seam = make_edge(line, ends, (0.0, length))
    low, high = circles
    lie_on(low, surface, (0.0, 0.0), (1.0, 0.0))
    lie_on(high, surface, (0.0, length), (1.0, 0.0))
    lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
    return make_face(surface, [[(low, True), (seam, True), (high, False), (seam, False)]])


def _ball(
    end: TurnedEnd, radius: float, u: float, circle: TopoDS_Edge, foot: tuple[TopoDS_Vertex, float]
) -> TopoDS_Face:
    vertex, below = foot
    surface = end.sphere(u, radius)
    tip = make_vertex(end.frame.point(u + end.side * radius, 0.0, 0.0))
    seam = make_edge(end.meridian(u, radius), (vertex, tip), (-below, math.pi / 2))
    pole = make_pole(tip, surface, math.pi / 2)
    lie_on(circle, surface, (0.0, -below), (1.0, 0.0))
    lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
    return make_face(surface, [[(circle, True), (seam, True), (pole, False), (seam, False)]])
