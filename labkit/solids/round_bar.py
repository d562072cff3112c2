"""Round bars: balls, necks, domes, bar and flat, as faces of one body of revolution."""

from __future__ import annotations

import math
from dataclasses import dataclass

from OCP.Geom import (
    Geom_Circle,
    Geom_CylindricalSurface,
    Geom_Line,
    Geom_SphericalSurface,
)
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Vertex

from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.rods import Ball, Hand, RoundBar
from labkit.errors import GeometryError
from labkit.solids.body import Body, facing
from labkit.solids.frame import ReaderFrame, Vector
from labkit.solids.topology import (
    FULL_TURN,
    Course,
    interpolated2d,
    lie_on,
    lie_on_curve,
    lie_on_seam,
    make_edge,
    make_face,
    make_pole,
    make_vertex,
)

#: Stations of the flat's rim on a dome; the parameter curve then errs by less than 1e-8 mm.
RIM_STATIONS = 97


@dataclass(frozen=True)
class _Flat:
    """The cut common to both ends.

    Args:
        radius: Bar and domes, mm.
        height: n of the flat, mm.
        turn: Angle from the outward side round the axis to the flat's edge, radians.
        domes: u of the domes' centres, mm, positive.
    """

    radius: float
    height: float
    half_width: float
    turn: float
    left_dome: float
    right_dome: float


@dataclass(frozen=True)
class _End:
    """One end's circle between dome and bar, and the flat's rim on the dome.

    The end looks along a = ±u; angles run right-handed about a, from the outward side (−n).

    Args:
        first, last: Where the flat's rim starts and ends.
        before: Edge from the outward side to `first`.
        after: Edge from `last` to the outward side.
        rim: Half circle of the flat from `first` to `last`.
        faces: Dome, neck and ball.
    """

    first: TopoDS_Vertex
    last: TopoDS_Vertex
    before: TopoDS_Edge
    after: TopoDS_Edge
    rim: TopoDS_Edge
    faces: tuple[TopoDS_Face, ...]


def round_bar(bar: RoundBar, sizes: RodSizes, hand: Hand) -> Body:
    """Make the faces of a round bar with its balls; only spheres, cylinders and the flat's plane.

    Args:
        hand: Which way the inward face looks.

    Returns:
        The body, open where the flat (the label face) belongs. The flat cuts bar and domes, the
        balls stay whole.

    Validity: sizes that passed check_round_bar.

    Raises:
        GeometryError: No straight piece left between the domes.
    """
    frame = ReaderFrame(hand)
    balls = facing(sizes, hand)
    flat = _flat(bar, sizes, balls)
    left = _Turner(frame, flat, -1, -flat.left_dome).end(balls[0], -sizes.length_mm / 2)
    right = _Turner(frame, flat, 1, flat.right_dome).end(balls[1], sizes.length_mm / 2)
    low = _straight(frame, flat, -flat.half_width, (left.first, right.last))
    high = _straight(frame, flat, flat.half_width, (left.last, right.first))
    face = _bar_face(frame, flat, (left, right), (low, high))
    boundary = [(low, True), (right.rim, False), (high, False), (left.rim, False)]
    return Body(frame, (*left.faces, *right.faces, face), flat.height, (boundary,))


def check_round_bar(bar: RoundBar, sizes: RodSizes) -> None:
    """Refuse sizes that do not make a part.

    Args:
        sizes: Length and fittings as built, mm.

    Raises:
        GeometryError: One sentence for the first size that does not fit.
    """
    radius = bar.diameter_mm / 2
    if not 0.0 < bar.flat_depth_mm < radius:
        raise GeometryError(
            f"a flat {bar.flat_depth_mm:g} mm deep does not fit a bar of {bar.diameter_mm:g} mm; "
            f"it must be above 0 and below {radius:g} mm",
            field="flat_depth", value=bar.flat_depth_mm, allowed=f"above 0, below {radius:g} mm",
        )
    for fitting in sizes.fittings:
        if not isinstance(fitting, Ball):
            raise GeometryError(
                f"a fitting of kind {fitting.kind} cannot stand on a round bar; use a ball, or a "
                "flat bar"
            )
        _check_ball(bar, fitting)


def _check_ball(bar: RoundBar, ball: Ball) -> None:
    limit = min(ball.ball_diameter_mm, bar.diameter_mm - 2 * bar.flat_depth_mm)
    if not 0.0 < ball.neck_diameter_mm < limit:
        raise GeometryError(
            f"a neck of {ball.neck_diameter_mm:g} mm does not fit a ball of "
            f"{ball.ball_diameter_mm:g} mm on a bar of {bar.diameter_mm:g} mm with a flat "
            f"{bar.flat_depth_mm:g} mm deep; it must be above 0 and below {limit:g} mm",
            field="neck_diameter", value=ball.neck_diameter_mm,
            allowed=f"above 0, below {limit:g} mm",
        )
    hidden = ball.ball_diameter_mm / 2
    if ball.neck_length_mm <= hidden:
        raise GeometryError(
            f"a neck of {ball.neck_length_mm:g} mm leaves no room between a ball of "
            f"{ball.ball_diameter_mm:g} mm and the bar; it must be longer than {hidden:g} mm",
            field="neck_length", value=ball.neck_length_mm, allowed=f"above {hidden:g} mm",
        )


def _flat(bar: RoundBar, sizes: RodSizes, balls: tuple[Ball, Ball]) -> _Flat:
    radius = bar.diameter_mm / 2
    height = radius - bar.flat_depth_mm
    left, right = (sizes.length_mm / 2 - ball.neck_length_mm - radius for ball in balls)
    if left + right <= 0.0:
        raise GeometryError(
            f"a round bar with {sizes.length_mm:g} mm between its balls has no straight piece "
            f"left between its domes; it needs more than {sizes.length_mm - left - right:.2f} mm",
            field="length", value=sizes.length_mm,
        )
    half_width = math.sqrt(radius**2 - height**2)
    return _Flat(radius, height, half_width, math.acos(-height / radius), left, right)


class _Turner:
    """Makes one end: everything that turns about the axis a = side · u.

    Args:
        frame: Reader's frame.
        side: -1 for the left end, +1 for the right one.
        dome_u: u of the dome's centre, mm.
    """

    def __init__(self, frame: ReaderFrame, flat: _Flat, side: int, dome_u: float) -> None:
        self._frame = frame
        self._flat = flat
        self._side = side
        self._dome_u = dome_u
        self._axis: Vector = (float(side), 0.0, 0.0)

    def end(self, ball: Ball, ball_u: float) -> _End:
        """Make dome, neck and ball and the circle that joins the dome to the bar."""
        flat, side = self._flat, self._side
        neck, sphere = ball.neck_diameter_mm / 2, ball.ball_diameter_mm / 2
        outer = make_vertex(self._frame.point(self._dome_u, 0.0, -flat.radius))
        first, last = (
            make_vertex(self._frame.point(self._dome_u, v, flat.height))
            for v in (side * flat.half_width, -side * flat.half_width)
        )
        join = self._circle(self._dome_u, flat.radius)
        before = make_edge(join, (outer, first), (0.0, flat.turn))
        after = make_edge(join, (last, outer), (FULL_TURN - flat.turn, FULL_TURN))
        rim = self._rim(first, last)
        at_dome = self._dome_u + side * math.sqrt(flat.radius**2 - neck**2)
        at_ball = ball_u - side * math.sqrt(sphere**2 - neck**2)
        low_vertex, low = self._neck_circle(at_dome, neck)
        high_vertex, high = self._neck_circle(at_ball, neck)
        latitude = math.acos(neck / flat.radius)
        faces = (
            self._dome((before, rim, after), low, (outer, low_vertex), latitude),
            self._neck(neck, (at_dome, at_ball), (low, high), (low_vertex, high_vertex)),
            self._ball(sphere, ball_u, high, (high_vertex, math.acos(neck / sphere))),
        )
        return _End(first, last, before, after, rim, faces)

    def _circle(self, u: float, radius: float) -> Geom_Circle:
        axes = self._frame.circle_axes((u, 0.0, 0.0), self._axis, (0.0, 0.0, -1.0))
        return Geom_Circle(axes, radius)

    def _meridian(self, u: float, radius: float) -> Geom_Circle:
        """Give the great circle of the outward side, from the equator towards the axis."""
        main = (0.0, -float(self._side), 0.0)
        return Geom_Circle(self._frame.circle_axes((u, 0.0, 0.0), main, (0.0, 0.0, -1.0)), radius)

    def _sphere(self, u: float, radius: float) -> Geom_SphericalSurface:
        axes = self._frame.axes((u, 0.0, 0.0), self._axis, (0.0, 0.0, -1.0))
        return Geom_SphericalSurface(axes, radius)

    def _neck_circle(self, u: float, radius: float) -> tuple[TopoDS_Vertex, TopoDS_Edge]:
        vertex = make_vertex(self._frame.point(u, 0.0, -radius))
        return vertex, make_edge(self._circle(u, radius), (vertex, vertex), (0.0, FULL_TURN))

    def _rim(self, first: TopoDS_Vertex, last: TopoDS_Vertex) -> TopoDS_Edge:
        axes = self._frame.circle_axes(
            (self._dome_u, 0.0, self._flat.height), (0.0, 0.0, -1.0), (0.0, float(self._side), 0.0)
        )
        return make_edge(Geom_Circle(axes, self._flat.half_width), (first, last), (0.0, math.pi))

    def _rim_on_dome(self, turn: float) -> tuple[float, float]:
        """Give longitude and latitude on the dome of a point of the flat's rim."""
        flat = self._flat
        longitude = math.atan2(flat.half_width * math.cos(turn), -flat.height) % FULL_TURN
        return longitude, math.asin(flat.half_width * math.sin(turn) / flat.radius)

    def _dome(
        self,
        edges: tuple[TopoDS_Edge, TopoDS_Edge, TopoDS_Edge],
        low: TopoDS_Edge,
        ends: tuple[TopoDS_Vertex, TopoDS_Vertex],
        latitude: float,
    ) -> TopoDS_Face:
        before, rim, after = edges
        surface = self._sphere(self._dome_u, self._flat.radius)
        seam = make_edge(self._meridian(self._dome_u, self._flat.radius), ends, (0.0, latitude))
        for edge in (before, after):
            lie_on(edge, surface, (0.0, 0.0), (1.0, 0.0))
        turns = [math.pi * index / (RIM_STATIONS - 1) for index in range(RIM_STATIONS)]
        rim_points = [self._rim_on_dome(turn) for turn in turns]
        lie_on_curve(rim, surface, interpolated2d(rim_points, turns))
        lie_on(low, surface, (0.0, latitude), (1.0, 0.0))
        lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
        boundary = [(before, True), (rim, True), (after, True),
                    (seam, True), (low, False), (seam, False)]
        return make_face(surface, [boundary])

    def _neck(
        self,
        radius: float,
        span: tuple[float, float],
        circles: tuple[TopoDS_Edge, TopoDS_Edge],
        ends: tuple[TopoDS_Vertex, TopoDS_Vertex],
    ) -> TopoDS_Face:
        start, length = span[0], abs(span[1] - span[0])
        axes = self._frame.axes((start, 0.0, 0.0), self._axis, (0.0, 0.0, -1.0))
        surface = Geom_CylindricalSurface(axes, radius)
        line = Geom_Line(self._frame.point(start, 0.0, -radius), self._frame.direction(*self._axis))
        seam = make_edge(line, ends, (0.0, length))
        low, high = circles
        lie_on(low, surface, (0.0, 0.0), (1.0, 0.0))
        lie_on(high, surface, (0.0, length), (1.0, 0.0))
        lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
        return make_face(surface, [[(low, True), (seam, True), (high, False), (seam, False)]])

    def _ball(
        self, radius: float, u: float, circle: TopoDS_Edge, foot: tuple[TopoDS_Vertex, float]
    ) -> TopoDS_Face:
        vertex, below = foot
        surface = self._sphere(u, radius)
        tip = make_vertex(self._frame.point(u + self._side * radius, 0.0, 0.0))
        seam = make_edge(self._meridian(u, radius), (vertex, tip), (-below, math.pi / 2))
        pole = make_pole(tip, surface, math.pi / 2)
        lie_on(circle, surface, (0.0, -below), (1.0, 0.0))
        lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
        return make_face(surface, [[(circle, True), (seam, True), (pole, False), (seam, False)]])


def _straight(
    frame: ReaderFrame, flat: _Flat, v: float, ends: tuple[TopoDS_Vertex, TopoDS_Vertex]
) -> TopoDS_Edge:
    """Make a long edge of the flat, from left to right."""
    line = Geom_Line(
        frame.point(-flat.left_dome, v, flat.height), frame.direction(1.0, 0.0, 0.0)
    )
    return make_edge(line, ends, (0.0, flat.left_dome + flat.right_dome))


def _bar_face(
    frame: ReaderFrame,
    flat: _Flat,
    ends: tuple[_End, _End],
    straights: tuple[TopoDS_Edge, TopoDS_Edge],
) -> TopoDS_Face:
    """Make the bar's cylinder from the flat's lower edge round the outward side to its upper one.

    The left end's angles run the other way round; the face spans one turn less the flat, so it
    needs no seam, only parameters beyond a full turn.
    """
    (left, right), (low, high) = ends, straights
    length = flat.left_dome + flat.right_dome
    axes = frame.axes((-flat.left_dome, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, -1.0))
    surface = Geom_CylindricalSurface(axes, flat.radius)
    lie_on(left.before, surface, (FULL_TURN, 0.0), (-1.0, 0.0))
    lie_on(left.after, surface, (2 * FULL_TURN, 0.0), (-1.0, 0.0))
    lie_on(right.before, surface, (FULL_TURN, length), (1.0, 0.0))
    lie_on(right.after, surface, (0.0, length), (1.0, 0.0))
    lie_on(low, surface, (FULL_TURN - flat.turn, 0.0), (0.0, 1.0))
    lie_on(high, surface, (FULL_TURN + flat.turn, 0.0), (0.0, 1.0))
    boundary: list[Course] = [
        (left.before, False), (left.after, False), (high, True),
        (right.before, False), (right.after, False), (low, False),
    ]
    return make_face(surface, [boundary])
