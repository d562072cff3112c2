"""Dimensions of flat bars and their bosses."""

from __future__ import annotations

import math

from labkit.core.rod.bodies import FlatBar
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, Page
from labkit.documents.rod_drawing.dimensioning import Course, linear, radius
from labkit.documents.rod_drawing.words import DIAMETER, sized

#: Where on a blend arc its leader points: 0 at the bar, 1 at the boss.
BLEND_POINT = 0.3


def flat_bar_dimensions(page: Page, bar: FlatBar) -> None:
    """Dimension bar, bosses and blends."""
    _bosses(page)
    _blends(page, bar)
    _thickness(page, bar)
    _section(page, bar)


def _bosses(page: Page) -> None:
    """Dimension the bosses: both by the left one where they are equal."""
    left, right = page.subject.ends
    equal = left.reach_mm == right.reach_mm
    for end in (left,) if equal else (left, right):
        count = 2 if equal else 1
        page.circle(end, 0, sized("boss diameter", 2 * end.reach_mm, DIAMETER, count=count))


def _blends(page: Page, bar: FlatBar) -> None:
    """Dimension the arcs between bosses and bar, by one below the right boss or the left one."""
    blended = [end for end in page.subject.ends if bar.blend_reach_mm(end.reach_mm) > 0]
    if not blended:
        return
    end, half = blended[-1], bar.height_mm / 2
    reach = bar.blend_reach_mm(end.reach_mm)
    rise = math.degrees(math.atan2(half + bar.blend_radius_mm, reach))
    steep = 90.0 - BLEND_POINT * (90.0 - rise)
    angle = steep if end.side > 0 else 180.0 - steep
    center = (end.u_mm - end.side * reach, -half - bar.blend_radius_mm)
    x, y = page.layout.front.at(*center)
    level = page.leader_row(1)
    elbow = (x - (y - level) / math.tan(math.radians(angle)), level)
    what = sized("blend radius", bar.blend_radius_mm, "R", count=2 * len(blended))
    page.ink.append(radius(page.layout.front, center, angle, elbow, True, what))


def _thickness(page: Page, bar: FlatBar) -> None:
    """Dimension the thickness in the top view, at an end with a pin, else at the left one."""
    left, right = page.subject.ends
    end = right if right.fitting.stands_out_mm and not left.fitting.stands_out_mm else left
    top, edge = page.layout.top, end.u_mm + end.side * (end.reach_mm - bar.edge_radius_mm)
    half = bar.thickness_mm / 2
    at = top.at(end.u_mm + end.side * end.reach_mm, 0.0)[0] + end.side * FIRST_MM
    what = sized("bar thickness", bar.thickness_mm)
    page.ink.append(linear(top, (edge, -half), (edge, half), what, Course(True, at)))


def _section(page: Page, bar: FlatBar) -> None:
    """Dimension the bar's height and rounded edges in the section."""
    place = page.layout.section
    half, out = bar.height_mm / 2, bar.thickness_mm / 2
    inner = out - bar.edge_radius_mm
    left = place.at(-out, 0.0)[0] - FIRST_MM
    page.ink.append(
        linear(
            place, (-inner, -half), (-inner, half),
            sized("bar height", bar.height_mm), Course(True, left),
        )
    )
    center = (inner, -half + bar.edge_radius_mm)
    x, y = place.at(*center)
    reach = place.per_mm * bar.edge_radius_mm / math.sqrt(2.0) + 5.0
    what = sized("edge radius", bar.edge_radius_mm, "R", count=4)
    page.ink.append(radius(place, center, -45.0, (x + reach, y - reach), True, what))
