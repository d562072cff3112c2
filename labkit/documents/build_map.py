"""Facts of the map of a build: each bed as it lies, to sort rods by after washing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Profile
from labkit.core.cautions import CAUTIONS
from labkit.core.label.lettering import Lettering
from labkit.core.rod.building import Way
from labkit.core.rod.rods import Plate, Process
from labkit.documents.build_map_words import Laid, told_on_rods, where_told, write_on_all
from labkit.documents.drawing import Align, Drawing, Fill, Ink, Pen, Shade, Stroke, Text
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
#: Room round a bed for the sizes of its axes and the numbers of its parts, mm on paper.
_MARGIN_MM = 6.0
#: Height of the numbers of parts, mm on paper.
_NUMBER_MM = 2.6
#: Words are at least so high on paper, mm; a bed that is drawn smaller has parts drawn larger.
_LEAST_ON_PAPER_MM = 1.3
#: Free room round the pieces of such a part, mm.
_ROUND_MM = 3.0


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
        "on_rods": told_on_rods(
            set().union(*(where_told(bed.pieces, bed.plate.spacing_mm) for bed in beds))
        ),
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
        "drawing": drawing_facts(
            bed_drawing(bed, f"Bed {number}", lettering, scale, parts),
            lines=1 / scale if parts else 1.0,
        ),
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
    most = min(
        (_PAGE_MM[0] - 2 * _MARGIN_MM) / plate.width_mm,
        (_PAGE_MM[1] - _MARGIN_MM - _below_mm(1.0)) / plate.depth_mm,
    )
    return next((one for one in _SCALES if one <= most), most)


def _front_mm(scale: float) -> float:
    """Give how far below the bed the line of words stands that tells its front."""
    return 10.0 / scale


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
        parts: Those drawn larger by themselves; they are framed here instead, and numbered
            beside the bed.
    """
    plate, ink, margin = bed.plate, Ink(), _MARGIN_MM / scale
    draw_bed(ink, plate, scale)
    _draw_pieces(ink, bed, lettering, written=not parts)
    for part in parts:
        ink.box(*_frame(part, plate.spacing_mm / 2), Pen.VISIBLE)
    for words, height in _numbers(parts):
        ink.append(Text(words, (plate.width_mm + 0.75 * margin, height), _NUMBER_MM / scale,
                        Align.CENTRE, 90.0, bold=True))
    front = Text("FRONT OF THE BED", (plate.width_mm / 2, -_front_mm(scale)), 2.6 / scale,
                 Align.CENTRE, bold=True, most_mm=plate.width_mm)
    ink.append(front)
    words = ", ".join(f"{one.letter}{one.place} {one.rod.engraving}" for one in bed.pieces)
    return Drawing(
        plate.width_mm + 2 * margin, plate.depth_mm + margin + _below_mm(scale),
        f"{title} from above: {words}", tuple(ink), corner=(-margin, -_below_mm(scale)),
    )


def _numbers(parts: Sequence[Bed]) -> Iterator[tuple[str, float]]:
    """Give the numbers of the parts of each row, and the height of its middle."""
    rows: list[list[int]] = []
    for index, part in enumerate(parts):
        if index and _frame(part)[0] > _frame(parts[index - 1])[0]:
            rows[-1].append(index)
        else:
            rows.append([index])
    for row in rows:
        first, last = row[0] + 1, row[-1] + 1
        frames = [_frame(parts[index]) for index in row]
        middle = (min(one[2] for one in frames) + max(one[3] for one in frames)) / 2
        yield str(first) if first == last else f"{first} to {last}", middle


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
            if isinstance(shape, Stroke) and not written:
                ink.append(replace(shape, pen=Pen.HAIR))
            elif not isinstance(shape, Fill):
                ink.append(shape)
            elif shape.shade is Shade.TINT:  # its engraving is written larger
                ink.append(replace(shape, shade=tint))
    if written:
        write_on_all(ink, bed.pieces, bed.plate.spacing_mm)


def _least_scale(bed: Bed) -> float:
    """Give the smallest scale at which all that is written on the pieces can be read."""
    ink = Ink()
    write_on_all(ink, bed.pieces, bed.plate.spacing_mm)
    least = min((text.height_mm for text in ink if isinstance(text, Text)), default=0.0)
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


def _frame(part: Bed, round_mm: float = _ROUND_MM) -> tuple[float, float, float, float]:
    """Give the frame round the pieces of a part: left, right, bottom, top, mm."""
    (left, right), (bottom, top) = _reach(part.pieces, 0), _reach(part.pieces, 1)
    return left - round_mm, right + round_mm, bottom - round_mm, top + round_mm


def _part_words(part: Bed, index: int, of: int) -> str:
    (left, right), (bottom, top) = _reach(part.pieces, 0), _reach(part.pieces, 1)
    return (
        f"Part {index} of {of}, {counted(len(part.pieces), 'piece')}: "
        f"X {left:.0f} to {right:.0f} mm, Y {bottom:.0f} to {top:.0f} mm"
    )
