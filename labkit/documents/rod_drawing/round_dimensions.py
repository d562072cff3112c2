"""Dimensions of round bars with balls."""

from __future__ import annotations

import math

from labkit.core.label.lettering import Arc
from labkit.core.rod.rods import Ball, RoundBar
from labkit.documents.drawing import Ink, Pen, Stroke
from labkit.documents.rod_drawing.arrange import Layout
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, leader_row
from labkit.documents.rod_drawing.dimensioning import Course, Size, diameter, linear, radius
from labkit.documents.rod_drawing.subject import End, Subject
from labkit.documents.rod_drawing.words import DIAMETER, fitted, size, times

LEAN = 0.25
#: Direction in which the dome's leader points at the left dome.
DOME_DEG = 235.0


def round_dimensions(ink: Ink, subject: Subject, bar: RoundBar, layout: Layout) -> None:
    """Dimension balls, necks, domes, bar and flat.

    Args:
        layout: Where the views lie.
    """
    left, right = subject.ends
    alike = left.fitting == right.fitting
    for end in (right,) if alike else (left, right):
        _ball(ink, subject, end, 2 if alike else 1, layout)
        _neck_length(ink, subject, bar, end, layout)
    for end in (left,) if alike else (left, right):
        _neck_diameter(ink, subject, bar, end, layout)
    _dome(ink, subject, bar, layout)
    _section(ink, subject, bar, layout)


def _fitting(end: End) -> Ball:
    assert isinstance(end.fitting, Ball)  # a round bar takes nothing else
    return end.fitting


def _ball(ink: Ink, subject: Subject, end: End, count: int, layout: Layout) -> None:
    ball = _fitting(end)
    x, y = layout.front.at(end.u_mm, 0.0)
    level = leader_row(subject, layout, 0)
    words = times(count, fitted(f"S{DIAMETER}", ball.ball_diameter_mm, ball.fit))
    ink.append(
        diameter(
            layout.front, (end.u_mm, 0.0), (x + end.side * LEAN * (y - level), level),
            end.side > 0, Size("ball diameter", ball.ball_diameter_mm, words),
        )
    )


def _neck_length(
    ink: Ink, subject: Subject, bar: RoundBar, end: End, layout: Layout
) -> None:
    """Dimension a neck from the ball's centre to the dome's apex, which a thin arc shows."""
    ball, top = _fitting(end), layout.top
    apex = end.u_mm - end.side * ball.neck_length_mm
    dome = apex - end.side * bar.diameter_mm / 2
    open_deg = math.degrees(math.asin(ball.neck_diameter_mm / bar.diameter_mm))
    start = -open_deg if end.side > 0 else 180.0 - open_deg
    arc = Arc(top.at(dome, 0.0), top.per_mm * bar.diameter_mm / 2, start, 2 * open_deg)
    ink.append(Stroke(arc, Pen.THIN))
    level = top.origin[1] - top.per_mm * subject.inward_mm - FIRST_MM
    words = times(2 if _alike(subject) else 1, size(ball.neck_length_mm))
    ink.append(
        linear(
            top, (apex, 0.0), (end.u_mm, 0.0),
            Size("neck length", ball.neck_length_mm, words),
            Course(False, level, words_before=end.side > 0),
        )
    )


def _neck_diameter(
    ink: Ink, subject: Subject, bar: RoundBar, end: End, layout: Layout
) -> None:
    """Dimension a neck across in the top view, in the middle of what is seen of it."""
    ball = _fitting(end)
    half = ball.neck_diameter_mm / 2
    foot = math.sqrt((ball.ball_diameter_mm / 2) ** 2 - half**2)
    dome = ball.neck_length_mm + bar.diameter_mm / 2
    shoulder = dome - math.sqrt((bar.diameter_mm / 2) ** 2 - half**2)
    u = end.u_mm - end.side * (foot + shoulder) / 2
    words = times(2 if _alike(subject) else 1, f"{DIAMETER}{size(ball.neck_diameter_mm)}")
    ink.append(
        linear(
            layout.top, (u, -half), (u, half),
            Size("neck diameter", ball.neck_diameter_mm, words),
            Course(
                True, layout.top.at(u, 0.0)[0], extended=False, words_before=True,
                words_off=layout.top.per_mm * (subject.inward_mm - half) + 1.0,
            ),
        )
    )


def _dome(ink: Ink, subject: Subject, bar: RoundBar, layout: Layout) -> None:
    """Dimension the domes by the left one."""
    end = subject.ends[0]
    size_mm = bar.diameter_mm / 2
    center = (end.u_mm + _fitting(end).neck_length_mm + size_mm, 0.0)
    x, y = layout.front.at(*center)
    level = leader_row(subject, layout, 0)
    elbow = (x + (y - level) / math.tan(math.radians(DOME_DEG)) * -1.0, level)
    ink.append(
        radius(layout.front, center, DOME_DEG, elbow, False,
               Size("dome radius", size_mm, times(2, f"SR{size(size_mm)}")))
    )


def _section(ink: Ink, subject: Subject, bar: RoundBar, layout: Layout) -> None:
    """Dimension bar and flat in the section."""
    place, half = layout.section, bar.diameter_mm / 2
    left = place.at(-half, 0.0)[0] - FIRST_MM
    below = place.at(0.0, -half)[1] - 7.5
    flat = math.sqrt(half**2 - subject.face_mm**2)
    across = bar.diameter_mm - bar.flat_depth_mm
    ink += [
        linear(
            place, (0.0, -half), (0.0, half),
            Size("bar diameter", bar.diameter_mm, f"{DIAMETER}{size(bar.diameter_mm)}"),
            Course(True, left),
        ),
        linear(
            place, (-half, 0.0), (subject.face_mm, -flat),
            Size("across the flat", across, size(across)), Course(False, below),
        ),
    ]


def _alike(subject: Subject) -> bool:
    return subject.ends[0].fitting == subject.ends[1].fitting
