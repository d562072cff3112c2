"""Dimensions of round bars and their domes."""

from __future__ import annotations

import math

from labkit.core.rod.bodies import RoundBar
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, Page
from labkit.documents.rod_drawing.dimensioning import Course, linear, radius
from labkit.documents.rod_drawing.words import DIAMETER, sized

#: Direction in which the dome's leader points at the left dome.
DOME_DEG = 235.0


def round_bar_dimensions(page: Page, bar: RoundBar) -> None:
    """Dimension domes, bar and flat."""
    _dome(page, bar)
    _section(page, bar)


def _dome(page: Page, bar: RoundBar) -> None:
    """Dimension the domes by the left one."""
    end, size_mm = page.subject.ends[0], bar.diameter_mm / 2
    center = (end.u_mm + bar.keep_out_mm(end.fitting), 0.0)
    x, y = page.layout.front.at(*center)
    level = page.leader_row(0)
    elbow = (x - (y - level) / math.tan(math.radians(DOME_DEG)), level)
    what = sized("dome radius", size_mm, "SR", count=2)
    page.ink.append(radius(page.layout.front, center, DOME_DEG, elbow, False, what))


def _section(page: Page, bar: RoundBar) -> None:
    """Dimension bar and flat in the section."""
    place, half = page.layout.section, bar.diameter_mm / 2
    left, below = place.at(-half, 0.0)[0] - FIRST_MM, place.at(0.0, -half)[1] - 7.5
    page.ink.extend([
        linear(
            place, (0.0, -half), (0.0, half),
            sized("bar diameter", bar.diameter_mm, DIAMETER),
            Course(True, left),
        ),
        linear(
            place, (-half, 0.0), (bar.label_level_mm, -bar.half_flat_mm),
            sized("across the flat", bar.diameter_mm - bar.flat_depth_mm), Course(False, below),
        ),
    ])
