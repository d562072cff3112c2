"""A way of measuring as a small drawing: the rod, gauge pins, measuring faces, the reading R."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.core.label.lettering import Lettering
from labkit.core.rod.fittings import BossFitting, Fitting
from labkit.core.rod.rods import Rod
from labkit.documents import svg
from labkit.documents.rod_picture import box_mm, draw_rod, lower_is_left

_FACE_WIDTH_MM = 1.3
_BEYOND_MM = 2.4
_LINE_DROP_MM = 5.0
_MARGIN_MM = 2.6
_ARROW_MM = (1.9, 0.55)
_LETTER_MM = 4.2
_WORDS_MM = 3.0
_STROKE = "0.22"


class _End(NamedTuple):
    """One end of the rod as seen: where its centre is, its fitting, outwards as a sign."""

    x: float
    fitting: Fitting
    outward: int


def way_svg(rod: Rod, way: Way, lettering: Lettering) -> bytes:
    """Draw a way of measuring on one rod.

    Returns:
        An SVG file; the measuring faces are black, the reading is the line marked R.
    """
    left, right, bottom, top = box_mm(rod)
    height = top - bottom
    # Room for measuring faces outside of the ends, the same in all drawings of a template.
    width = right - left + 2 * (_MARGIN_MM + _FACE_WIDTH_MM)
    middle = (width / 2, _MARGIN_MM + height / 2 + _BEYOND_MM / 2)
    inside = [*draw_rod(rod, lettering), *_marks(rod, way, height / 2)]
    shift = (middle[0] - (left + right) / 2, middle[1] + (bottom + top) / 2)
    drops = 2 if way.method is Method.HALF_SUM else 1
    total = middle[1] + height / 2 + _BEYOND_MM + _LINE_DROP_MM * drops + _MARGIN_MM
    return svg.document(width, total, f"Measuring {way.title}", [svg.group(inside, *shift)])


def _marks(rod: Rod, way: Way, half: float) -> Iterator[str]:
    ends = _ends(rod)
    line = -half - _BEYOND_MM - _LINE_DROP_MM * 0.6
    over, between = _contacts(ends, way, True), _contacts(ends, way, False)
    if way.method is Method.CENTRES:
        for end in ends:
            yield _cross(end.x)
        yield from _reading([end.x for end in ends], line, -half, "R")
        return
    if way.gauge_pins_mm:
        yield from _pins(ends)
    if way.method in (Method.OVER, Method.OVER_LESS_OWN, Method.ENDS, Method.HALF_SUM):
        yield from _faces(over, half, outside=True)
        words = "R over" if way.method is Method.HALF_SUM else "R"
        yield from _reading(over, line, -half, words)
    if way.method in (Method.BETWEEN, Method.HALF_SUM):
        yield from _faces(between, half, outside=False)
        second = line - _LINE_DROP_MM if way.method is Method.HALF_SUM else line
        words = "R between" if way.method is Method.HALF_SUM else "R"
        yield from _reading(between, second, -half, words)


def _ends(rod: Rod) -> tuple[_End, _End]:
    half = float(rod.length) / 2
    first, last = (rod.template.lower, rod.template.upper)
    if not lower_is_left(rod):
        first, last = last, first
    return _End(-half, first, -1), _End(half, last, 1)


def _contacts(ends: tuple[_End, _End], way: Way, outside: bool) -> list[float]:
    """Give where the measuring faces touch, left and right."""
    return [end.x + end.outward * _reach(end.fitting, way, outside) for end in ends]


def _reach(fitting: Fitting, way: Way, outside: bool) -> float:
    """Give how far outwards of its centre a fitting is touched."""
    if not isinstance(fitting, BossFitting):
        return fitting.diameter_mm / 2
    if way.method is Method.ENDS:
        return fitting.boss_diameter_mm / 2
    pin = fitting.gauge_pin_mm
    radius = (fitting.diameter_mm if pin is None else float(pin)) / 2
    return radius if outside else -radius


def _pins(ends: tuple[_End, _End]) -> Iterator[str]:
    for end in ends:
        pin = end.fitting.gauge_pin_mm
        if pin is not None:
            radius = float(pin) / 2
            style = {"fill": "#9a9a9a", "stroke": svg.INK, "stroke_width": _STROKE}
            yield svg.circle(end.x, 0.0, radius, **style)


def _faces(contacts: list[float], half: float, outside: bool) -> Iterator[str]:
    """Draw the two measuring faces; outside faces lie beyond the contact, inside ones within."""
    for x, sign in zip(contacts, (-1, 1), strict=True):
        away = sign if outside else -sign
        left = x if away > 0 else x - _FACE_WIDTH_MM
        reach = half + _BEYOND_MM
        yield svg.rectangle(left, -1.6, _FACE_WIDTH_MM, reach + 1.6, fill=svg.INK)


def _cross(x: float) -> str:
    arm = 2.2
    course = f"M{svg.number(x - arm)} 0h{2 * arm}M{svg.number(x)} {-arm}v{2 * arm}"
    return f'<path d="{course}" stroke="{svg.INK}" stroke-width="0.3" fill="none"/>'


def _reading(contacts: list[float], line: float, foot: float, words: str) -> Iterator[str]:
    """Draw the dimension of a reading; `line` and `foot` are heights, up."""
    left, right = contacts
    y, start = svg.number(-line), svg.number(-foot + 0.6)
    helps = "".join(f"M{svg.number(x)} {start}V{svg.number(-line + 1)}" for x in contacts)
    body = f"M{svg.number(left)} {y}H{svg.number(right)}"
    yield f'<path d="{helps}{body}" stroke="{svg.INK}" stroke-width="{_STROKE}" fill="none"/>'
    length, half = _ARROW_MM
    for x, sign in ((left, 1), (right, -1)):
        tip, back = svg.number(x), svg.number(x + sign * length)
        up, down = svg.number(-line - half), svg.number(-line + half)
        yield f'<path d="M{tip} {y}L{back} {up}V{down}Z" fill="{svg.INK}"/>'
    letter = _LETTER_MM if len(words) == 1 else _WORDS_MM
    wide = 0.56 * letter * len(words) + 1.0
    middle = (left + right) / 2
    yield svg.rectangle(middle - wide / 2, -line - 1, wide, 2, fill="#ffffff")
    yield svg.text(middle, -line + 0.35 * letter, words, letter, text_anchor="middle")
