"""A way of measuring as a small drawing: the rod, gauge pins, measuring faces, the reading R."""

from __future__ import annotations

from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.core.label.lettering import Lettering
from labkit.core.rod.fittings import BossFitting, Fitting, Mount
from labkit.core.rod.outlines import circle, polygon, rectangle
from labkit.core.rod.rods import Rod
from labkit.core.rod.views import seen_ends
from labkit.documents.drawing import (
    Align,
    Drawing,
    Ink,
    Pen,
    Shade,
    Text,
)
from labkit.documents.letters import CAPITAL
from labkit.documents.rod_picture import box_mm, rod_ink

_FACE_WIDTH_MM = 1.3
_BEYOND_MM = 2.4
_LINE_DROP_MM = 5.0
_MARGIN_MM = 2.6
_ARROW_MM = (1.9, 0.55)
_LETTER_MM = 4.2 * CAPITAL
_WORDS_MM = 3.0 * CAPITAL


#: The fittings with their places as the reader sees them.
_Ends = tuple[tuple[Fitting, Mount], ...]


def way_drawing(rod: Rod, way: Way, lettering: Lettering) -> Drawing:
    """Draw a way of measuring on one rod.

    Returns:
        The drawing; the measuring faces are black, the reading is the line marked R.
    """
    left, right, bottom, top = box_mm(rod)
    # Room for measuring faces outside of the ends, the same in all drawings of a template.
    beside = _MARGIN_MM + _FACE_WIDTH_MM
    drops = 2 if way.method is Method.HALF_SUM else 1
    above, below = _MARGIN_MM + _BEYOND_MM / 2, _BEYOND_MM * 1.5 + _LINE_DROP_MM * drops
    low = bottom - below - _MARGIN_MM + _BEYOND_MM / 2
    ink = rod_ink(rod, lettering)
    _marks(ink, rod, way, (top - bottom) / 2)
    return Drawing(
        right - left + 2 * beside, top + above - low, f"Measuring {way.title}", tuple(ink),
        corner=(left - beside, low),
    )


def _marks(ink: Ink, rod: Rod, way: Way, half: float) -> None:
    ends = seen_ends(rod)
    line = -half - _BEYOND_MM - _LINE_DROP_MM * 0.6
    if way.method is Method.CENTRES:
        centres = [mount.x_mm for _, mount in ends]
        for x in centres:
            ink.line((x - 2.2, 0.0), (x + 2.2, 0.0))
            ink.line((x, -2.2), (x, 2.2))
        _reading(ink, centres, line, -half, "R")
        return
    if way.gauge_pins_mm:
        _pins(ink, ends)
    both = way.method is Method.HALF_SUM
    if way.method is not Method.BETWEEN:
        over = _contacts(ends, way, True)
        _faces(ink, over, half, outside=True)
        _reading(ink, over, line, -half, "R over" if both else "R")
    if way.method is Method.BETWEEN or both:
        between = _contacts(ends, way, False)
        _faces(ink, between, half, outside=False)
        second = line - _LINE_DROP_MM if both else line
        _reading(ink, between, second, -half, "R between" if both else "R")


def _contacts(ends: _Ends, way: Way, outside: bool) -> list[float]:
    """Give where the measuring faces touch, left and right."""
    return [
        mount.x_mm - mount.inward * _reach(fitting, way, outside) for fitting, mount in ends
    ]


def _reach(fitting: Fitting, way: Way, outside: bool) -> float:
    """Give how far outwards of its centre a fitting is touched."""
    if not isinstance(fitting, BossFitting):
        return fitting.diameter_mm / 2
    if way.method is Method.ENDS:
        return fitting.boss_diameter_mm / 2
    pin = fitting.gauge_pin_mm
    radius = (fitting.diameter_mm if pin is None else float(pin)) / 2
    return radius if outside else -radius


def _pins(ink: Ink, ends: _Ends) -> None:
    for fitting, mount in ends:
        if pin := fitting.gauge_pin_mm:
            loop = circle((mount.x_mm, 0.0), float(pin) / 2)
            ink.fill(loop, shade=Shade.GREY)
            ink.edges(loop, Pen.THIN)


def _faces(ink: Ink, contacts: list[float], half: float, outside: bool) -> None:
    """Draw the two measuring faces; outside faces lie beyond the contact, inside ones within."""
    for x, sign in zip(contacts, (-1, 1), strict=True):
        away = sign if outside else -sign
        left = x if away > 0 else x - _FACE_WIDTH_MM
        ink.fill(rectangle(left, left + _FACE_WIDTH_MM, -half - _BEYOND_MM, 1.6))


def _reading(ink: Ink, contacts: list[float], line: float, foot: float, words: str) -> None:
    """Draw the dimension of a reading; `line` and `foot` are heights, up."""
    left, right = contacts
    for x in contacts:
        ink.line((x, foot - 0.6), (x, line - 1))
    ink.line((left, line), (right, line))
    length, half = _ARROW_MM
    for x, back in ((left, left + length), (right, right - length)):
        ink.fill(polygon((x, line), (back, line + half), (back, line - half)))
    size = _LETTER_MM if len(words) == 1 else _WORDS_MM
    middle = (left + right) / 2
    text = Text(words, (middle, line - size / 2), size, Align.CENTRE)
    reach = text.width_mm / 2 + 0.5
    ink.fill(rectangle(middle - reach, middle + reach, line - 1, line + 1), shade=Shade.WHITE)
    ink.append(text)
