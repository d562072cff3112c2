"""The title block (ISO 7200) with the symbol of the method of projection."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from labkit.catalog.profiles import Paper, Projection
from labkit.catalog.texts import english_texts
from labkit.core.label.lettering import Point2
from labkit.core.rod.outlines import circle
from labkit.documents.drawing import LARGE_MM, SMALL_MM, TEXT_MM, Ink, Pen, Text
from labkit.documents.letters import in_lines, width_mm
from labkit.documents.rod_drawing.arrange import TITLE_MM, Layout
from labkit.documents.rod_drawing.lengths_table import INSET_MM
from labkit.documents.rod_drawing.subject import Subject
from labkit.documents.rod_drawing.views import scale_words

#: Words are squeezed down to this factor on their width rather than set small or broken.
LEAST_SQUEEZE = 0.85
#: From the frame down to the caution's base line; printers reach to 5 mm from the edge.
_CAUTION_DROP_MM = 4.0


@dataclass(frozen=True)
class SheetNumber:
    """Which sheet of how many, from 1."""

    number: int
    of: int


def title_block(ink: Ink, subject: Subject, layout: Layout, sheet: SheetNumber) -> None:
    """Draw the title block at the lower right corner (ISO 7200: its fields and width)."""
    right, bottom = layout.frame[1], layout.frame[2]
    left = right - TITLE_MM[0]
    ink.box(left, right, bottom, bottom + TITLE_MM[1], Pen.VISIBLE)
    for row, cells in enumerate(_cells(subject, layout, sheet)):
        low = bottom + TITLE_MM[1] - (row + 1) * TITLE_MM[1] / 4
        if row < 3:
            ink.line((left, low), (right, low), Pen.THIN)
        x = left
        for caption, words, wide in cells:
            if x > left:
                ink.line((x, low), (x, low + TITLE_MM[1] / 4), Pen.THIN)
            _cell(ink, (x, low), caption, words, wide)
            x += wide
    _projection_symbol(ink, subject, (right - 12.0, bottom + TITLE_MM[1] / 8))
    _caution(ink, layout)


def _caution(ink: Ink, layout: Layout) -> None:
    """Write the short caution below the frame, where it is in nobody's way on any sheet."""
    left, right, bottom, _ = layout.frame
    words = str(english_texts().tables["frame"]["short_caution"])
    place = (left, bottom - _CAUTION_DROP_MM)
    ink.append(Text(words, place, SMALL_MM, most_mm=right - left))


def _cells(
    subject: Subject, layout: Layout, sheet: SheetNumber
) -> Iterator[tuple[tuple[str, str, float], ...]]:
    """Give the rows of the title block: caption, words and width of each cell."""
    spec, template = subject.spec, subject.rod.template
    paper = "A4" if subject.profile.paper is Paper.A4 else "US Letter"
    title = f"Connector rod. {template.title}"
    if sheet.number > 1:
        title = f"Lengths, continued. {template.title}"
    yield (("Laboratory", subject.profile.name, 84.0), ("Title", title, 96.0))
    yield (
        ("Case", str(spec["case"]), 84.0), ("Template", template.name, 62.0),
        ("Set", str(spec["revision"]), 34.0),
    )
    process = spec["process"]
    yield (
        ("Material", process["material"], 84.0), ("Process", process["title"], 62.0),
        ("Date", spec["date"], 34.0),
    )
    program = spec["program"]
    scale = scale_words(layout.per_mm) if sheet.number == 1 else ""
    yield (
        ("Drawn by", f"{program['name']} {program['version']}", 42.0), ("Checked", "", 42.0),
        ("Scale", scale, 20.0), ("Paper", paper, 24.0),
        ("Sheet", f"{sheet.number} of {sheet.of}", 18.0), ("Projection", "", 34.0),
    )


def _cell(ink: Ink, corner: Point2, caption: str, words: str, wide: float) -> None:
    x, y = corner
    height = TITLE_MM[1] / 4
    ink.append(Text(caption, (x + INSET_MM, y + height - 2.6), SMALL_MM))
    room = wide - 2 * INSET_MM
    heights = (LARGE_MM, TEXT_MM) if caption in ("Case", "Title") else (TEXT_MM,)
    fits = [one for one in heights if width_mm(words, one) <= room]
    if fits:
        lines = [(words, fits[0], 1.7)]
    elif width_mm(words, TEXT_MM) <= room / LEAST_SQUEEZE:
        lines = [(words, TEXT_MM, 1.7)]
    else:
        broken = in_lines(words, SMALL_MM, (room, room / LEAST_SQUEEZE))
        bases = (3.6, 0.9) if len(broken) > 1 else (1.7,)
        lines = [(line, SMALL_MM, base) for line, base in zip(broken, bases, strict=True)]
    ink += [
        Text(line, (x + INSET_MM, y + base), own, most_mm=room, own=True)
        for line, own, base in lines if line
    ]


def _projection_symbol(ink: Ink, subject: Subject, at: Point2) -> None:
    """Draw the symbol of the method of projection: a truncated cone and its end view.

    Source: ISO 5456-2, annex A: first angle, the view on the smaller end stands beside the
    larger end; third angle, beside the smaller one. Proportions from memory.
    """
    x, y = at
    first = subject.profile.projection is Projection.FIRST_ANGLE
    cone, rings = (x - 2.0, x + 7.0) if first else (x + 8.0, x - 3.5)
    small, large, half = 1.25, 2.5, 2.5
    ends = ((cone - half - 2.0, small), (cone + half - 2.0, large))
    for u, reach in ends:
        ink.line((u, y - reach), (u, y + reach), Pen.VISIBLE)
    for way in (-1.0, 1.0):
        ink.line((ends[0][0], y + way * small), (ends[1][0], y + way * large), Pen.VISIBLE)
    for reach in (small, large):
        ink.edges(circle((rings, y), reach), Pen.VISIBLE)
    ink.line((ends[0][0] - 1.2, y), (ends[1][0] + 1.2, y), Pen.THIN)
    ink.line((rings - 3.6, y), (rings + 3.6, y), Pen.THIN)
    ink.line((rings, y - 3.6), (rings, y + 3.6), Pen.THIN)
