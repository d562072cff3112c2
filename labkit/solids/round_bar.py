"""Round bars: balls, necks, domes, bar and flat, as faces of one body of revolution."""

from __future__ import annotations

import math
from dataclasses import dataclass

from OCP.Geom import Geom_Circle, Geom_CylindricalSurface, Geom_Line
from OCP.Geom2d import Geom2d_Curve
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Vertex

from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.fittings import Fitting, Mount
from labkit.core.rod.rods import Hand, RoundBar
from labkit.core.rod.views import facing
from labkit.solids.body import Body
from labkit.solids.fittings import BUILDERS
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import (
    FULL_TURN,
    TOLERANCE_MM,
    Course,
    interpolated2d,
    lie_on,
    lie_on_curve,
    lie_on_seam,
    make_edge,
    make_face,
    make_vertex,
)
from labkit.solids.turned import TurnedEnd

#: Steps in which the flat's rim on a dome is followed, doubled until the curve is near enough.
RIM_STEPS, MOST_RIM_STEPS = 96, 96 * 2**6
#: The parameter curve lies this near to the rim: half of the kernel's own point tolerance.
RIM_ERROR_MM = TOLERANCE_MM / 2


@dataclass(frozen=True)
class _Flat:
    """The cut common to both ends.

    Args:
        radius: Bar and domes, mm.
        height: n of the flat, mm.
        turn: Angle from the outward side round the axis to the flat's edge, radians.
        left, right: u of the domes' centres, mm.
    """

    radius: float
    height: float
    half_width: float
    turn: float
    left: float
    right: float


@dataclass(frozen=True)
class _End:
    """One end's circle between dome and bar, and the flat's rim on the dome.

    Args:
        first, last: Where the flat's rim starts and ends.
        before: Edge from the outward side to `first`.
        after: Edge from `last` to the outward side.
        rim: Half circle of the flat from `first` to `last`.
        faces: Dome, and what stands on it.
    """

    first: TopoDS_Vertex
    last: TopoDS_Vertex
    before: TopoDS_Edge
    after: TopoDS_Edge
    rim: TopoDS_Edge
    faces: tuple[TopoDS_Face, ...]


#: Bar, flat and two domes.
ROUND_BAR_FACES = 4


def round_bar(bar: RoundBar, sizes: RodSizes, hand: Hand) -> Body:
    """Make the faces of a round bar with its fittings, open where the flat belongs: the label face.

    The flat cuts bar and domes, what stands on them stays whole.

    Validity: sizes that passed the bar's own check.

    Raises:
        GeometryError: No straight piece left between the domes.
    """
    frame, ends = ReaderFrame(hand), facing(sizes, hand)
    left_u, right_u = bar.dome_centers(ends, sizes.length_mm)
    radius, height = bar.diameter_mm / 2, bar.label_level_mm
    turn = math.acos(-height / radius)
    flat = _Flat(radius, height, bar.half_flat_mm, turn, left_u, right_u)
    mounts = bar.mounts(ends, sizes.length_mm)
    left = _Dome(frame, flat, -1, left_u).end(ends[0], mounts[0])
    right = _Dome(frame, flat, 1, right_u).end(ends[1], mounts[1])
    low = _straight(frame, flat, -flat.half_width, (left.first, right.last))
    high = _straight(frame, flat, flat.half_width, (left.last, right.first))
    face = _bar_face(frame, flat, (left, right), (low, high))
    boundary = [(low, True), (right.rim, False), (high, False), (left.rim, False)]
    return Body(frame, (*left.faces, *right.faces, face), flat.height, (boundary,))


def round_bar_faces(bar: RoundBar, sizes: RodSizes) -> int:
    """Count a round bar's faces without its fittings': the same for all sizes."""
    del bar, sizes
    return ROUND_BAR_FACES


class _Dome:
    """Makes one end's dome, its circle with the bar and the flat's rim on it.

    Args:
        side: -1 for the left end, +1 for the right one.
        u: u of the dome's centre, mm.
    """

    def __init__(self, frame: ReaderFrame, flat: _Flat, side: int, u: float) -> None:
        self._frame = frame
        self._flat = flat
        self._end = TurnedEnd(frame, side)
        self._u = u

    def end(self, fitting: Fitting, mount: Mount) -> _End:
        """Make the dome, the circle that joins it to the bar, and the fitting on it."""
        flat, side, u = self._flat, self._end.side, self._u
        outer = make_vertex(self._frame.point(u, 0.0, -flat.radius))
        first, last = (
            make_vertex(self._frame.point(u, v, flat.height))
            for v in (side * flat.half_width, -side * flat.half_width)
        )
        join = self._end.circle(u, flat.radius)
        before = make_edge(join, (outer, first), (0.0, flat.turn))
        after = make_edge(join, (last, outer), (FULL_TURN - flat.turn, FULL_TURN))
        rim = self._rim(first, last)
        made = BUILDERS[fitting.kind].make(self._frame, fitting, mount)
        assert made.foot is not None  # a fitting without a neck is refused before
        latitude = math.acos(made.foot.radius / flat.radius)
        ends = (outer, made.foot.vertex)
        dome = self._dome((before, rim, after), made.foot.circle, ends, latitude)
        return _End(first, last, before, after, rim, (dome, *made.faces))

    def _rim(self, first: TopoDS_Vertex, last: TopoDS_Vertex) -> TopoDS_Edge:
        axes = self._frame.circle_axes(
            (self._u, 0.0, self._flat.height), (0.0, 0.0, -1.0), (0.0, float(self._end.side), 0.0)
        )
        return make_edge(Geom_Circle(axes, self._flat.half_width), (first, last), (0.0, math.pi))

    def _rim_on_dome(self, turn: float) -> tuple[float, float]:
        """Give longitude and latitude on the dome of a point of the flat's rim."""
        flat = self._flat
        longitude = math.atan2(flat.half_width * math.cos(turn), -flat.height) % FULL_TURN
        return longitude, math.asin(flat.half_width * math.sin(turn) / flat.radius)

    def _rim_course(self) -> Geom2d_Curve:
        """Give the rim in the dome's parameters; the deeper the flat, the more it bends there."""
        steps = RIM_STEPS
        while True:
            turns = [math.pi * index / steps for index in range(steps + 1)]
            course = interpolated2d([self._rim_on_dome(turn) for turn in turns], turns)
            between = [turn + math.pi / steps / 2 for turn in turns[:-1]]
            if steps == MOST_RIM_STEPS or self._rim_error_mm(course, between) < RIM_ERROR_MM:
                return course
            steps *= 2

    def _rim_error_mm(self, course: Geom2d_Curve, turns: list[float]) -> float:
        """Give the greatest distance of a course from the rim at some of its turns."""
        worst = 0.0
        for turn in turns:
            (longitude, latitude), found = self._rim_on_dome(turn), course.Value(turn)
            aside = (found.X() - longitude) * math.cos(latitude)
            worst = max(worst, math.hypot(aside, found.Y() - latitude))
        return worst * self._flat.radius

    def _dome(
        self,
        edges: tuple[TopoDS_Edge, TopoDS_Edge, TopoDS_Edge],
        foot: TopoDS_Edge,
        ends: tuple[TopoDS_Vertex, TopoDS_Vertex],
        latitude: float,
    ) -> TopoDS_Face:
        before, rim, after = edges
        surface = self._end.sphere(self._u, self._flat.radius)
        seam = make_edge(self._end.meridian(self._u, self._flat.radius), ends, (0.0, latitude))
        for edge in (before, after):
            lie_on(edge, surface, (0.0, 0.0), (1.0, 0.0))
        lie_on_curve(rim, surface, self._rim_course())
        lie_on(foot, surface, (0.0, latitude), (1.0, 0.0))
        lie_on_seam(seam, surface, ((FULL_TURN, 0.0), (0.0, 0.0)), (0.0, 1.0))
        boundary = [(before, True), (rim, True), (after, True),
                    (seam, True), (foot, False), (seam, False)]
        return make_face(surface, [boundary])


def _straight(
    frame: ReaderFrame, flat: _Flat, v: float, ends: tuple[TopoDS_Vertex, TopoDS_Vertex]
) -> TopoDS_Edge:
    """Make a long edge of the flat, from left to right."""
    line = Geom_Line(
        frame.point(flat.left, v, flat.height), frame.direction(1.0, 0.0, 0.0)
    )
    return make_edge(line, ends, (0.0, flat.right - flat.left))


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
    length = flat.right - flat.left
    axes = frame.axes((flat.left, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, -1.0))
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
