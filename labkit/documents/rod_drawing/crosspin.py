"""Dimensions of crosspins."""

from __future__ import annotations

from labkit.core.rod.fittings import Crosspin
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, NEXT_MM, Page
from labkit.documents.rod_drawing.dimensioning import Course, linear, note
from labkit.documents.rod_drawing.subject import End
from labkit.documents.rod_drawing.words import DIAMETER, TIMES, size, sized


def crosspin_dimensions(page: Page, ends: tuple[End, ...]) -> None:
    """Dimension each pin with its lip."""
    for end in ends:
        pin = end.fitting
        assert isinstance(pin, Crosspin)  # by the table
        _lengths(page, end, pin)
        _diameters(page, pin)


def _lengths(page: Page, end: End, pin: Crosspin) -> None:
    """Dimension pin and lip along their axis in the top view, and note the lip's chamfers."""
    top, way, foot = page.layout.top, end.side, -page.subject.face_mm
    under = foot - pin.pin_length_mm
    tip = under - pin.lip_thickness_mm
    lip = end.u_mm + way * pin.lip_diameter_mm / 2
    chamfer = pin.chamfer_mm
    first = top.at(end.u_mm + way * end.reach_mm, 0.0)[0] + way * FIRST_MM
    boss = end.u_mm + way * (end.reach_mm - 0.5)
    page.ink.extend([
        linear(
            top, (lip - way * chamfer, under), (lip - way * chamfer, tip),
            sized("lip thickness", pin.lip_thickness_mm),
            Course(True, first, words_before=True),
        ),
        linear(
            top, (boss, foot), (lip - way * chamfer, under),
            sized("pin length", pin.pin_length_mm),
            Course(True, first + way * NEXT_MM),
        ),
    ])
    corner = top.at(lip - way * (pin.lip_diameter_mm - chamfer / 2), tip + chamfer / 2)
    elbow = (corner[0] - way * 5.0, corner[1] - 5.0)
    words = f"2{TIMES} {size(chamfer)} {TIMES} 45°"
    note(page.ink, corner, elbow, way < 0, words)


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
