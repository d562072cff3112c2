"""What is written on the pieces of a map of a build, and where the label of each one stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from labkit.core.label.lettering import Point2
from labkit.core.rod.building import Way
from labkit.core.rod.outlines import rectangle
from labkit.core.rod.rods import Rod
from labkit.documents.drawing import Align, Ink, Pen, Shade, Text
from labkit.documents.letters import CAPITAL

#: Heights of capitals on a rod, mm: its label, and its letter and place.
_LABEL_MM, _TAG_MM = 3.5, 2.9
#: Labels are not set smaller on a rod: they stand above it, or in the list alone.
_LEAST_MM = 1.5
#: Share of a rod's width that is written in; of one that stands, with nothing round the words.
_WITHIN, _WITHIN_TOP = 0.52, 0.62
#: Height of a label above a rod, mm, and the free room below it and above.
_ABOVE_MM, _BELOW_ABOVE_MM, _OVER_ABOVE_MM = 2.2, 0.3, 0.9
#: White ground round the words on the end of a rod that stands, mm.
_GROUND_MM = 0.25


@dataclass(frozen=True)
class Laid:
    """A piece on the map.

    Args:
        letter: Of its case.
        box_mm: Left, front, width and depth on the bed.
        identifier: In groups; the name of a coupon.
        spare: Which spare piece of its rod it is; 0 for the rod itself.
    """

    letter: str
    place: int
    case: str
    rod: Rod
    way: Way
    box_mm: tuple[float, float, float, float]
    turned: bool
    identifier: str
    side: str
    spare: int


def write_on_all(ink: Ink, pieces: Sequence[Laid], spacing: float) -> None:
    """Write on each piece its letter, its label and its place; on a small one letter and place.

    The label of a small one stands above it, where the next one leaves room. Letters and places
    of small ones are of one size.
    """
    small = [one for one in pieces if _label_mm(one) < _LEAST_MM]
    size = min((_tag_mm(one, spacing) for one in small), default=_TAG_MM)
    for one in pieces:
        if one in small:
            _write_on_top(ink, one, size)
            if above := _above(one, spacing):
                ink.append(above)
        else:
            _write_on(ink, one)


def where_told(pieces: Sequence[Laid], spacing: float) -> set[str]:
    """Find where the labels of pieces stand."""
    return {
        _ON if _label_mm(one) >= _LEAST_MM else _ABOVE if _above(one, spacing) else _LISTED
        for one in pieces
    }


def told_on_rods(told: set[str]) -> str:
    """Say in one sentence what stands on the rods of a map, all its beds taken together."""
    places = [place for place in (_ON, _ABOVE, _LISTED) if place in told]
    return (
        "On each rod: the letter of its case and its place; its label is "
        f"{'; where it has no room there, '.join(places)}."
    )


_ON = "on it too"
_ABOVE = "above it"
_LISTED = "in the list of its case below alone"


def _label_mm(one: Laid) -> float:
    """Give the height of a label that is written on its piece; too small a one is not."""
    label = min(_LABEL_MM, _WITHIN * min(one.box_mm[2:]))
    return label * min(
        1.0, _room_mm(one) / Text(one.rod.engraving, (0, 0), label, bold=True).width_mm
    )


def _room_mm(one: Laid) -> float:
    return max(one.box_mm[2:]) - 2.1 * min(one.box_mm[2:])


def _write_on(ink: Ink, one: Laid) -> None:
    x, y, width, depth = one.box_mm
    across, upright, label = min(width, depth), depth > width, _label_mm(one)
    tag, room = min(_TAG_MM, _WITHIN * across), _room_mm(one)
    middle = (x + width / 2, y + depth / 2)
    reach = abs(width - depth) / 2
    ends = [_moved(middle, by, upright) for by in (-reach, reach)]
    for end, words in zip(ends, (one.letter, str(one.place)), strict=True):
        ink.ring(end, 0.9 * across)
        ink.append(Text(words, (end[0], end[1] - tag / 2), tag, Align.CENTRE, bold=True,
                        most_mm=0.7 * across))
    shift = label / 2
    base = (middle[0] + shift, middle[1]) if upright else (middle[0], middle[1] - shift)
    words = one.rod.engraving + ("*" if one.spare else "")
    ink.append(Text(words, base, label, Align.CENTRE, 90.0 if upright else 0.0, room, bold=True))
    if one.rod.bar:
        _underline(ink, base, min(room, Text(words, base, label, bold=True).width_mm), upright)


def _tag(one: Laid) -> str:
    return f"{one.letter}{one.place}" + ("*" if one.spare else "")


def _tag_mm(one: Laid, spacing: float) -> float:
    """Give the height at which letter and place have room on a piece, or a little beside it."""
    along, across = max(one.box_mm[2:]), min(one.box_mm[2:])
    most = max(0.9 * along, along + spacing - _OVER_ABOVE_MM - 2 * _GROUND_MM)
    size = min(_TAG_MM, _WITHIN_TOP * across)
    return size * min(1.0, most / Text(_tag(one), (0, 0), size, bold=True).width_mm)


def _write_on_top(ink: Ink, one: Laid, size: float) -> None:
    """Write letter and place on the end of a rod that stands, on white that covers its edges."""
    x, y, width, depth = one.box_mm
    upright, middle = depth > width, (x + width / 2, y + depth / 2)
    base = (middle[0] + size / 2, middle[1]) if upright else (middle[0], middle[1] - size / 2)
    words = Text(_tag(one), base, size, Align.CENTRE, 90.0 if upright else 0.0, bold=True)
    left, right, bottom, top = words.box()
    ink.fill(rectangle(left - _GROUND_MM, right + _GROUND_MM, bottom - _GROUND_MM,
                       top + _GROUND_MM), shade=Shade.WHITE)
    ink.append(words)


def _above(one: Laid, spacing: float) -> Text | None:
    """Give the label above a small piece; None where the next row leaves no room for it."""
    x, y, width, depth = one.box_mm
    label = min(_ABOVE_MM, spacing - _BELOW_ABOVE_MM - _OVER_ABOVE_MM)
    words = Text(one.rod.engraving, (x + width / 2, y + depth + _BELOW_ABOVE_MM),
                 max(label, 0.1), Align.CENTRE)
    fits = label >= _LEAST_MM and words.width_mm <= width + spacing - _OVER_ABOVE_MM
    return words if fits else None


def _moved(point: Point2, by: float, upright: bool) -> Point2:
    return (point[0], point[1] + by) if upright else (point[0] + by, point[1])


def _underline(ink: Ink, base: Point2, width: float, upright: bool) -> None:
    """Draw the bar under a label that could be misread upside down."""
    below = 0.5 * CAPITAL
    at = (base[0] + below, base[1]) if upright else (base[0], base[1] - below)
    ink.line(_moved(at, -width / 2, upright), _moved(at, width / 2, upright), Pen.VISIBLE)
