"""Dimensions of balls on necks."""

from __future__ import annotations

import math

from labkit.core.label.lettering import Arc
from labkit.core.rod.fittings import Ball
from labkit.documents.drawing import Pen, Stroke
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, Page
from labkit.documents.rod_drawing.dimensioning import Course, linear
from labkit.documents.rod_drawing.subject import End, alike
from labkit.documents.rod_drawing.words import DIAMETER, sized


def ball_dimensions(page: Page, ends: tuple[End, ...]) -> None:
    """Dimension balls and necks; of two alike the right one's length, the left one's thickness."""
    count = len(ends) if alike(ends) else 1
    for end in ends[-1:] if alike(ends) else ends:
        _ball(page, end, count)
        _neck_length(page, end, count)
    for end in ends[:1] if alike(ends) else ends:
        _neck_diameter(page, end, count)


def _fitting(end: End) -> Ball:
    assert isinstance(end.fitting, Ball)  # by the table
    return end.fitting


def _ball(page: Page, end: End, count: int) -> None:
    ball = _fitting(end)
    what = sized("ball diameter", ball.ball_diameter_mm, f"S{DIAMETER}", count=count, fit=ball.fit)
    page.circle(end, 0, what)


def _neck_length(page: Page, end: End, count: int) -> None:
    """Dimension a neck from the ball's centre to the dome's apex, which a thin arc shows."""
    ball, top, half = _fitting(end), page.layout.top, page.subject.bar_half_mm
    apex = end.u_mm - end.side * ball.neck_length_mm
    open_deg = math.degrees(math.asin(ball.neck_diameter_mm / 2 / half))
    start = -open_deg if end.side > 0 else 180.0 - open_deg
    dome = top.at(apex - end.side * half, 0.0)
    page.ink.append(Stroke(Arc(dome, top.per_mm * half, start, 2 * open_deg), Pen.THIN))
    level = top.origin[1] - top.per_mm * page.subject.inward_mm - FIRST_MM
    what = sized("neck length", ball.neck_length_mm, count=count)
    page.ink.append(
        linear(
            top, (apex, 0.0), (end.u_mm, 0.0), what,
            Course(False, level, words_before=end.side > 0),
        )
    )


def _neck_diameter(page: Page, end: End, count: int) -> None:
    """Dimension a neck across in the top view, in the middle of what is seen of it."""
    ball, top = _fitting(end), page.layout.top
    half = ball.neck_diameter_mm / 2
    u = (end.u_mm - end.side * ball.neck_from_mm + end.mount.end_mm) / 2
    what = sized("neck diameter", ball.neck_diameter_mm, DIAMETER, count=count)
    page.ink.append(
        linear(
            top, (u, -half), (u, half), what,
            Course(
                True, top.at(u, 0.0)[0], extended=False, words_before=True,
                words_off=top.per_mm * (page.subject.inward_mm - half) + 1.0,
            ),
        )
    )
