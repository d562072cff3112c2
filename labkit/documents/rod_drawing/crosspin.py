"""Dimensions of crosspins."""

from __future__ import annotations

import math

from labkit.core.rod.fittings import Crosspin
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, NEXT_MM, Page
from labkit.documents.rod_drawing.dimensioning import Course, linear, radius
from labkit.documents.rod_drawing.subject import End
from labkit.documents.rod_drawing.words import DIAMETER, sized

#: How far to the side, and down, the leaders of rounds run on paper.
LEADER_MM = 5.5


def crosspin_dimensions(page: Page, ends: tuple[End, ...]) -> None:
    """Dimension each pin with its lip."""
    for end in ends:
        pin = end.fitting
        assert isinstance(pin, Crosspin)  # by the table
        _lengths(page, end, pin)
        _rounds(page, end, pin)
        _diameters(page, pin)


def _lengths(page: Page, end: End, pin: Crosspin) -> None:
    """Dimension pin and lip along their axis in the top view."""
    top, way, foot = page.layout.top, end.side, -page.subject.face_mm
    under = foot - pin.pin_length_mm
    tip = under - pin.lip_thickness_mm
    lip = end.u_mm + way * pin.lip_diameter_mm / 2
    edge = pin.edge_mm
    first = top.at(end.u_mm + way * end.reach_mm, 0.0)[0] + way * FIRST_MM
    boss = end.u_mm + way * (end.reach_mm - 0.5)
    page.ink.extend([
        linear(
            top, (lip - way * edge, under), (lip - way * edge, tip),
            sized("lip thickness", pin.lip_thickness_mm),
            Course(True, first, words_before=True),
        ),
        linear(
            top, (boss, foot), (lip - way * edge, under),
            sized("pin length", pin.pin_length_mm),
            Course(True, first + way * NEXT_MM),
        ),
    ])


def _rounds(page: Page, end: End, pin: Crosspin) -> None:
    """Dimension the lip's rounded edges and the root in the top view, on the bar's side."""
    foot, way = -page.subject.face_mm, end.side
    tip = foot - pin.pin_length_mm - pin.lip_thickness_mm
    lip, beside = pin.lip_diameter_mm / 2 - pin.edge_mm, pin.pin_diameter_mm / 2 + pin.root_mm
    rounds = [(lip, tip + pin.edge_mm, sized("lip edge radius", pin.edge_mm, "R", count=2), 1.0)]
    if pin.root_mm:
        rounds.append((beside, foot - pin.root_mm, sized("root radius", pin.root_mm, "R"), -1.0))
    for across, level, what, out in rounds:
        center = (end.u_mm - way * across, level)
        x, y = page.layout.top.at(*center)
        # Both leaders run down and inwards at 45°; the root's arrow points back at its arc.
        angle = math.degrees(math.atan2(-out, -out * way))
        elbow = (x - way * LEADER_MM, y - LEADER_MM)
        page.ink.append(radius(page.layout.top, center, angle, elbow, way < 0, what))


def _diameters(page: Page, pin: Crosspin) -> None:
    """Dimension pin and lip across in the side view, which looks from the pin's end."""
    subject, side = page.subject, page.layout.side
    way = 1.0 if subject.from_left else -1.0
    middle = subject.face_mm + pin.pin_length_mm / 2
    end = subject.face_mm + pin.pin_length_mm + pin.lip_thickness_mm / 2
    half, lip = pin.pin_diameter_mm / 2, pin.lip_diameter_mm / 2
    tip = side.at(way * subject.inward_mm, 0.0)[0]
    page.ink.extend([
        linear(
            side, (way * middle, -half), (way * middle, half),
            sized("pin diameter", pin.pin_diameter_mm, DIAMETER, fit=pin.fit),
            Course(
                True, side.at(way * middle, 0.0)[0], extended=False,
                words_off=side.per_mm * (subject.half_height_mm - half) + 1.0,
            ),
        ),
        linear(
            side, (way * end, -lip), (way * end, lip),
            sized("lip diameter", pin.lip_diameter_mm, DIAMETER),
            Course(True, tip + way * FIRST_MM),
        ),
    ])
