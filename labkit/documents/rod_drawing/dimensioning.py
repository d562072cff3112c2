"""Dimensions by ISO 129-1: extension lines, dimension lines, arrowheads and words."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from labkit.core.label.lettering import Line, Point2
from labkit.core.rod.outlines import polygon
from labkit.documents.drawing import (
    TEXT_MM,
    Align,
    Dimension,
    Fill,
    Ink,
    Kind,
    Pen,
    Stroke,
    Text,
)
from labkit.documents.letters import width_mm
from labkit.documents.rod_drawing.sheet import Place
from labkit.documents.rod_drawing.words import Size

ARROW_MM, ARROW_HALF_MM = 2.5, 0.4
#: Gap between an edge and its extension line, and how far that runs past the dimension line.
GAP_MM, PAST_MM = 1.0, 1.5
ABOVE_MM = 0.8
#: Length of a dimension line outside its arrows.
TAIL_MM = 5.0

_Turn = Callable[[float, float], Point2]


@dataclass(frozen=True)
class Course:
    """How a linear dimension runs.

    Args:
        vertical: Whether it measures up and down the sheet.
        at: Paper coordinate of its line across the measured direction.
        extended: Whether extension lines run from the points to it.
        words_before: Whether words that do not fit stand at the lower or left end.
        words_off: Distance of such words from the points, mm of paper.
    """

    vertical: bool
    at: float
    extended: bool = True
    words_before: bool = False
    words_off: float = 0.0


def arrow(tip: Point2, toward: Point2) -> Fill:
    """Make a filled arrowhead whose tip looks the given way (a vector)."""
    size = math.hypot(*toward)
    ux, uy = toward[0] / size, toward[1] / size
    bx, by = tip[0] - ARROW_MM * ux, tip[1] - ARROW_MM * uy
    half = (ARROW_HALF_MM * uy, ARROW_HALF_MM * ux)
    return Fill((polygon(tip, (bx - half[0], by + half[1]), (bx + half[0], by - half[1])),))


def linear(place: Place, first: Point2, second: Point2, size: Size, course: Course) -> Dimension:
    """Dimension the distance of two points along or up the sheet.

    Returns:
        The dimension. Arrows go outside where there is no room between the points, words beside
        the line where they are longer than it.
    """
    axis = 1 if course.vertical else 0
    points = sorted((place.at(*first), place.at(*second)), key=lambda point: point[axis])
    # Work along s and across t, t to the left of s; the sheet is turned for vertical ones.
    turn: _Turn = (lambda s, t: (-t, s)) if course.vertical else (lambda s, t: (s, t))
    (s1, t1), (s2, t2) = ((y, -x) if course.vertical else (x, y) for x, y in points)
    across = -course.at if course.vertical else course.at
    lines, center, align = _line(turn, (s1, s2), across, size.words, course)
    if course.extended:
        for s, t in ((s1, t1), (s2, t2)):
            way = math.copysign(1.0, across - t)
            ends = (turn(s, t + way * GAP_MM), turn(s, across + way * PAST_MM))
            lines.append(_thin(*ends))
    return Dimension(
        name=size.name,
        kind=Kind.VERTICAL if course.vertical else Kind.HORIZONTAL,
        points=(points[0], points[1]),
        line_at=turn((s1 + s2) / 2, across),
        value_mm=size.value_mm,
        per_mm=place.per_mm,
        text=Text(
            size.words, turn(center, across + ABOVE_MM), TEXT_MM, align,
            90.0 if course.vertical else 0.0,
        ),
        lines=tuple(lines),
    )


def _line(
    turn: _Turn, span: tuple[float, float], across: float, words: str, course: Course
) -> tuple[list[Stroke | Fill], float, Align]:
    """Make the dimension line with its arrows, and the place of its words."""
    s1, s2 = span
    room, wide = s2 - s1, width_mm(words, TEXT_MM)
    inside = room >= 2 * ARROW_MM + 1.5
    way = 1.0 if inside else -1.0
    arrows = [arrow(turn(s, across), turn(sign * way, 0.0)) for s, sign in ((s1, -1.0), (s2, 1.0))]
    tail = 0.0 if inside else TAIL_MM
    low, high = s1 - tail, s2 + tail
    center, align = (s1 + s2) / 2, Align.CENTRE
    if wide > room - 0.6:
        start = max(0.5 if inside else ARROW_MM + 0.5, course.words_off)
        if course.words_before:
            center, align = s1 - start, Align.RIGHT
            low = min(low, center - wide)
        else:
            center, align = s2 + start, Align.LEFT
            high = max(high, center + wide)
    return [_thin(turn(low, across), turn(high, across)), *arrows], center, align


def diameter(
    place: Place, center: Point2, elbow: Point2, to_right: bool, size: Size
) -> Dimension:
    """Dimension a circle by a leader whose first leg points at its centre.

    Args:
        center: Centre in the view, mm of the part.
        elbow: Where the leader turns level, paper mm.
        to_right: Whether the words stand to the right of the elbow.
    """
    x, y = place.at(*center)
    radius = size.value_mm / 2 * place.per_mm
    away = math.dist((x, y), elbow)
    ux, uy = (elbow[0] - x) / away, (elbow[1] - y) / away
    near, far = (x + radius * ux, y + radius * uy), (x - radius * ux, y - radius * uy)
    lines, text = _leader(near, elbow, to_right, size.words)
    return Dimension(
        size.name, Kind.DIAMETER, (far, near), elbow, size.value_mm, place.per_mm, text, lines
    )


def radius(
    place: Place, center: Point2, angle_deg: float, elbow: Point2, to_right: bool, size: Size
) -> Dimension:
    """Dimension an arc by a leader in line with its centre.

    Args:
        center: Centre in the view, mm of the part.
        angle_deg: Direction of the arrow's point seen from the centre.
        elbow: Where the leader turns level, on the line through centre and point, paper mm.
        to_right: Whether the words stand to the right of the elbow.
        size: Radius and words.
    """
    x, y = place.at(*center)
    size_mm, turn = size.value_mm * place.per_mm, math.radians(angle_deg)
    tip = (x + size_mm * math.cos(turn), y + size_mm * math.sin(turn))
    lines, text = _leader(tip, elbow, to_right, size.words)
    return Dimension(
        size.name, Kind.RADIUS, ((x, y), tip), elbow, size.value_mm, place.per_mm, text, lines
    )


def note(ink: Ink, tip: Point2, elbow: Point2, to_right: bool, words: str) -> None:
    """Point at something with a leader and words."""
    lines, text = _leader(tip, elbow, to_right, words)
    ink += [*lines, text]


def _leader(
    tip: Point2, elbow: Point2, to_right: bool, words: str
) -> tuple[tuple[Stroke | Fill, ...], Text]:
    """Make a leader's lines, its arrowhead and words."""
    wide = width_mm(words, TEXT_MM)
    way = 1.0 if to_right else -1.0
    toward = (tip[0] - elbow[0], tip[1] - elbow[1])
    # Where the leader leans over the words, they keep clear of it.
    start = 0.5 + max(0.0, way * toward[0] / abs(toward[1])) * (ABOVE_MM + TEXT_MM)
    end = (elbow[0] + way * (start + wide + 0.5), elbow[1])
    text = Text(
        words, (elbow[0] + way * start, elbow[1] + ABOVE_MM), TEXT_MM,
        Align.LEFT if to_right else Align.RIGHT,
    )
    return (_thin(tip, elbow), _thin(elbow, end), arrow(tip, toward)), text


def _thin(a: Point2, b: Point2) -> Stroke:
    return Stroke(Line(a, b), Pen.THIN)
