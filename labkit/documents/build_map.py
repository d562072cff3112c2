"""Facts of the map of a build: each bed as it lies, to sort rods by after washing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Profile
from labkit.core.cautions import CAUTIONS
from labkit.core.label.lettering import Lettering, Point2
from labkit.core.rod.building import Way
from labkit.core.rod.rods import Plate, Process, Rod
from labkit.documents.drawing import Align, Drawing, Fill, Ink, Pen, Shade, Text
from labkit.documents.letters import CAPITAL
from labkit.documents.plate_picture import draw_bed, piece_ink
from labkit.documents.svg import drawing_facts
from labkit.units import counted, plain

TEMPLATE = "build-map.typ"
#: Tints of cases, light enough for black print on a copy without colours; the letter tells, too.
TINTS = (
    Shade.SKY, Shade.LEMON, Shade.ROSE, Shade.MINT, Shade.PEACH, Shade.LILAC, Shade.AQUA,
    Shade.SAND,
)
#: What a page has room for, mm, and the scales of drawings (ISO 5455) that are tried.
_PAGE_MM = (174.0, 175.0)
_SCALES = (1.0, 0.5, 0.2, 0.1)
_MARGIN_MM = 6.0
#: Heights of capitals on a rod, mm: its label, and its letter and place.
_LABEL_MM, _TAG_MM = 3.5, 2.9
#: Labels are not set smaller on a rod: they stand above it, or in the list alone.
_LEAST_MM = 1.5
#: Share of a rod's width that is written in; of one that stands, with nothing round the words.
_WITHIN, _WITHIN_TOP = 0.52, 0.62
#: Height of a label above a rod, mm, and the free room below it and above.
_ABOVE_MM, _BELOW_ABOVE_MM, _OVER_ABOVE_MM = 2.2, 0.3, 0.9
#: Words are at least so high on paper, mm; a bed that is drawn smaller has parts drawn larger.
_LEAST_ON_PAPER_MM = 1.3
#: Free room round the pieces of such a part, mm.
_ROUND_MM = 3.0


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


@dataclass(frozen=True)
class Bed:
    """A bed with its pieces, in the order of their places."""

    plate: Plate
    file: str
    height_mm: float
    pieces: tuple[Laid, ...]


def facts(
    build: tuple[int, str], beds: Sequence[Bed], process: Process, profile: Profile
) -> dict[str, Any]:
    """Work out what stands on the map.

    Args:
        build: Its number, and its day.

    Returns:
        JSON content for the template `build-map.typ`; numbers are texts, ready for paper.
    """
    number, day = build
    lettering = load_lettering()
    return {
        "subject": f"Build {number}", "date": day,
        "cautions": profile.texts.of("build-map").translated(list(CAUTIONS)),
        "process": f"{process.title} ({process.name})",
        "machine": process.machine, "material": process.material,
        "pieces": counted(sum(len(bed.pieces) for bed in beds), "piece"),
        "beds": [
            _bed(bed, f"{index} of {len(beds)}", lettering) for index, bed in enumerate(beds, 1)
        ],
    }


def _bed(bed: Bed, number: str, lettering: Lettering) -> dict[str, Any]:
    scale = _scale(bed.plate)
    parts = [] if scale >= _least_scale(bed) else _parts(bed)
    ways = list(dict.fromkeys(one.way for one in bed.pieces))
    return {
        "number": number, "file": bed.file, "pieces": counted(len(bed.pieces), "piece"),
        "bed": f"{plain(bed.plate.width_mm)} × {plain(bed.plate.depth_mm)} mm",
        "height": f"{bed.height_mm:.1f} mm",
        "scale": scale, "scale_words": f"1 : {plain(1 / scale)}",
        "way": "; ".join(_WAYS[way] for way in ways),
        "drawing": drawing_facts(bed_drawing(bed, f"Bed {number}", lettering, scale, parts)),
        "parts": [
            {
                "words": _part_words(part, index, len(parts)),
                "scale": (larger := _least_scale(bed)), "scale_words": f"1 : {plain(1 / larger)}",
                "drawing": drawing_facts(part_drawing(bed, part, f"Part {index}", lettering)),
            }
            for index, part in enumerate(parts, 1)
        ],
        "cases": list(_cases(bed.pieces)),
        "alike": [
            f"{label}: {', '.join(f'{one.letter}{one.place}' for one in own)}"
            for label, own in look_alikes(bed.pieces).items()
        ],
    }


_WAYS = {
    Way.FLAT: "labels look up and read upright from the front",
    Way.ON_EDGE: "rods lie on edge, their labels look to the front",
    Way.UPRIGHT: "rods stand upright, their labels look to the front",
}


def _scale(plate: Plate) -> float:
    width, depth = plate.width_mm + 2 * _MARGIN_MM, plate.depth_mm + _MARGIN_MM
    return next(
        (one for one in _SCALES
         if width * one <= _PAGE_MM[0] and (depth + _below_mm(one)) * one <= _PAGE_MM[1]),
        min(_PAGE_MM[0] / width, _PAGE_MM[1] / (depth + _below_mm(1.0))),
    )


def _front_mm(scale: float) -> float:
    """Give how far below the bed the line of words stands that tells its front."""
    return 7.4 + 2.6 / scale


def _below_mm(scale: float) -> float:
    return _front_mm(scale) + 3.0 / scale


def _cases(pieces: Sequence[Laid]) -> Iterator[dict[str, Any]]:
    """List what to look for of each case."""
    for letter in sorted({one.letter for one in pieces}, key=lambda one: (len(one), one)):
        own = [one for one in pieces if one.letter == letter]
        yield {
            "letter": letter, "case": own[0].case or "Coupons", "count": str(len(own)),
            "pieces": [
                {
                    "place": str(one.place), "label": one.rod.engraving,
                    "side": one.side + (f", spare {one.spare}" if one.spare else ""),
                    "identifier": one.identifier,
                }
                for one in own
            ],
        }


def look_alikes(pieces: Sequence[Laid]) -> dict[str, tuple[Laid, ...]]:
    """Find labels that pieces of several cases bear on one bed: only the place tells them apart.

    Returns:
        Engraving, with the case mark where there is one → its pieces.
    """
    found: dict[str, list[Laid]] = {}
    for one in pieces:
        found.setdefault(f"{one.rod.engraving} {one.rod.case_mark}".strip(), []).append(one)
    return {
        label: tuple(own) for label, own in sorted(found.items())
        if len({one.case for one in own}) > 1
    }


def bed_drawing(
    bed: Bed, title: str, lettering: Lettering, scale: float, parts: Sequence[Bed] = ()
) -> Drawing:
    """Draw a bed from above, true to scale: letter of the case, label, place on each piece.

    Args:
        parts: Those drawn larger by themselves; they are framed and numbered here instead.
    """
    plate, ink = bed.plate, Ink()
    draw_bed(ink, plate)
    _draw_pieces(ink, bed, lettering, written=not parts)
    for index, part in enumerate(parts, 1):
        left, right, bottom, top = _frame(part)
        ink.box(left, right, bottom, top, Pen.VISIBLE)
        middle = ((left + right) / 2, (bottom + top) / 2)
        ink.ring(middle, 9.0 / scale)
        ink.append(Text(str(index), (middle[0], middle[1] - 2.0 / scale), 4.0 / scale,
                        Align.CENTRE, bold=True))
    front = Text("FRONT OF THE BED", (plate.width_mm / 2, -_front_mm(scale)), 2.6 / scale,
                 Align.CENTRE, bold=True, most_mm=plate.width_mm)
    ink.append(front)
    words = ", ".join(f"{one.letter}{one.place} {one.rod.engraving}" for one in bed.pieces)
    return Drawing(
        plate.width_mm + 2 * _MARGIN_MM, plate.depth_mm + _MARGIN_MM + _below_mm(scale),
        f"{title} from above: {words}", tuple(ink), corner=(-_MARGIN_MM, -_below_mm(scale)),
    )


def part_drawing(bed: Bed, part: Bed, title: str, lettering: Lettering) -> Drawing:
    """Draw the pieces of a part of a bed alone."""
    ink, (left, right, bottom, top) = Ink(), _frame(part)
    ink.box(left, right, bottom, top, Pen.HIDDEN)
    _draw_pieces(ink, part, lettering, written=True)
    words = ", ".join(f"{one.letter}{one.place} {one.rod.engraving}" for one in part.pieces)
    return Drawing(right - left, top - bottom, f"{title} of {bed.file} from above: {words}",
                   tuple(ink), corner=(left, bottom))


def _draw_pieces(ink: Ink, bed: Bed, lettering: Lettering, *, written: bool) -> None:
    for one in bed.pieces:
        tint = TINTS[(ord(one.letter[-1]) - ord("A")) % len(TINTS)]  # the same on every bed
        for shape in piece_ink(one.rod, one.box_mm, lettering, one.way):
            if not isinstance(shape, Fill):
                ink.append(shape)
            elif shape.shade is Shade.TINT:  # its engraving is written larger
                ink.append(replace(shape, shade=tint))
    if written:
        for one in bed.pieces:
            _write_on(ink, one, bed.plate.spacing_mm)


def _least_scale(bed: Bed) -> float:
    """Give the smallest scale at which all that is written on the pieces can be read."""
    ink = Ink()
    for one in bed.pieces:
        _write_on(ink, one, bed.plate.spacing_mm)
    least = min((text.height_mm for text in ink if isinstance(text, Text)), default=_LABEL_MM)
    return min((one for one in _SCALES if one * least >= _LEAST_ON_PAPER_MM), default=_SCALES[0])


def _parts(bed: Bed) -> list[Bed]:
    """Part a bed so that each part has room on a page, from the far left to the front right."""
    most = [room / _least_scale(bed) - 2 * _ROUND_MM for room in _PAGE_MM]
    rows = _in_reach(sorted(bed.pieces, key=lambda one: -one.box_mm[1]), 1, most[1])
    parts = [
        part for row in rows
        for part in _in_reach(sorted(row, key=lambda one: one.box_mm[0]), 0, most[0])
    ]
    return [
        replace(bed, pieces=tuple(sorted(part, key=lambda one: one.place))) for part in parts
    ]


def _in_reach(pieces: Sequence[Laid], axis: int, most: float) -> list[list[Laid]]:
    """Group pieces, in their order, so that no group reaches further than that along an axis."""
    groups: list[list[Laid]] = []
    for one in pieces:
        low, high = _reach([*groups[-1], one] if groups else [one], axis)
        if groups and high - low <= most:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _reach(pieces: Sequence[Laid], axis: int) -> tuple[float, float]:
    return (
        min(one.box_mm[axis] for one in pieces),
        max(one.box_mm[axis] + one.box_mm[axis + 2] for one in pieces),
    )


def _frame(part: Bed) -> tuple[float, float, float, float]:
    """Give the frame round the pieces of a part: left, right, bottom, top, mm."""
    (left, right), (bottom, top) = _reach(part.pieces, 0), _reach(part.pieces, 1)
    return left - _ROUND_MM, right + _ROUND_MM, bottom - _ROUND_MM, top + _ROUND_MM


def _part_words(part: Bed, index: int, of: int) -> str:
    (left, right), (bottom, top) = _reach(part.pieces, 0), _reach(part.pieces, 1)
    return (
        f"Part {index} of {of}, {counted(len(part.pieces), 'piece')}: "
        f"X {left:.0f} to {right:.0f} mm, Y {bottom:.0f} to {top:.0f} mm"
    )


def _write_on(ink: Ink, one: Laid, spacing: float) -> None:
    """Write on a piece its letter, its label and its place; on a small one only letter and place.

    The label of a small one stands above it, where the next one leaves room.
    """
    x, y, width, depth = one.box_mm
    along, across = max(width, depth), min(width, depth)
    upright = depth > width
    tag, label = min(_TAG_MM, _WITHIN * across), min(_LABEL_MM, _WITHIN * across)
    room = along - 2.1 * across
    label *= min(1.0, room / Text(one.rod.engraving, (0, 0), label, bold=True).width_mm)
    if label < _LEAST_MM:
        _write_on_top(ink, one, spacing)
        return
    middle = (x + width / 2, y + depth / 2)
    reach = (along - across) / 2
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


def _write_on_top(ink: Ink, one: Laid, spacing: float) -> None:
    """Write letter and place on the end of a rod that stands, its label above where that fits."""
    x, y, width, depth = one.box_mm
    upright, most = depth > width, 0.9 * max(width, depth)
    words = f"{one.letter}{one.place}" + ("*" if one.spare else "")
    tag = min(_TAG_MM, _WITHIN_TOP * min(width, depth))
    tag *= min(1.0, most / Text(words, (0, 0), tag, bold=True).width_mm)
    middle = (x + width / 2, y + depth / 2)
    base = (middle[0] + tag / 2, middle[1]) if upright else (middle[0], middle[1] - tag / 2)
    ink.append(Text(words, base, tag, Align.CENTRE, 90.0 if upright else 0.0, bold=True))
    label = min(_ABOVE_MM, spacing - _BELOW_ABOVE_MM - _OVER_ABOVE_MM)
    above = Text(one.rod.engraving, (middle[0], y + depth + _BELOW_ABOVE_MM), max(label, 0.1),
                 Align.CENTRE)
    if label >= _LEAST_MM and above.width_mm <= width + spacing - _OVER_ABOVE_MM:
        ink.append(above)


def _moved(point: Point2, by: float, upright: bool) -> Point2:
    return (point[0], point[1] + by) if upright else (point[0] + by, point[1])


def _underline(ink: Ink, base: Point2, width: float, upright: bool) -> None:
    """Draw the bar under a label that could be misread upside down."""
    below = 0.5 * CAPITAL
    at = (base[0] + below, base[1]) if upright else (base[0], base[1] - below)
    ink.line(_moved(at, -width / 2, upright), _moved(at, width / 2, upright), Pen.VISIBLE)
