"""Frame, title block, table of lengths and notes."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

from labkit.catalog.profiles import Paper, Projection
from labkit.core.lettering import Arc, Line, Point2
from labkit.documents.rod_drawing.arrange import TABLE_MM, TITLE_MM, Layout
from labkit.documents.rod_drawing.letters import in_two, width_mm, wrapped
from labkit.documents.rod_drawing.sheet import (
    LARGE_MM,
    SMALL_MM,
    TEXT_MM,
    Align,
    Ink,
    Pen,
    Stroke,
    Text,
)
from labkit.documents.rod_drawing.subject import Subject
from labkit.documents.rod_drawing.views import scale_words
from labkit.documents.rod_drawing.words import PLUS_MINUS, size

ROW_MM, HEAD_MM = 4.2, 6.0
#: Columns of the table: part, L, tolerance, quantity, steps.
COLUMNS_MM = (13.0, 11.0, 10.0, 8.0, 18.0)
NOTE_ROW_MM = 4.0
#: Words are squeezed rather than set small down to this factor on their width.
LEAST_SQUEEZE = 0.75
_INSET_MM = 1.2


def draw_panels(ink: Ink, subject: Subject, layout: Layout) -> None:
    """Put everything on the sheet that is not a view or a dimension."""
    _box(ink, *layout.frame, Pen.FRAME)
    _title_block(ink, subject, layout)
    _table(ink, subject, layout)
    _notes(ink, subject, layout)


def _line(ink: Ink, a: Point2, b: Point2, pen: Pen) -> None:
    ink.strokes.append(Stroke(Line(a, b), pen))


def _box(
    ink: Ink, left: float, right: float, bottom: float, top: float, pen: Pen
) -> None:
    corners = ((left, bottom), (right, bottom), (right, top), (left, top), (left, bottom))
    for a, b in itertools.pairwise(corners):
        _line(ink, a, b, pen)


def _title_block(ink: Ink, subject: Subject, layout: Layout) -> None:
    """Draw the title block at the lower right corner (ISO 7200: its fields and width)."""
    right, bottom = layout.frame[1], layout.frame[2]
    left = right - TITLE_MM[0]
    _box(ink, left, right, bottom, bottom + TITLE_MM[1], Pen.VISIBLE)
    for row, cells in enumerate(_cells(subject, layout)):
        low = bottom + TITLE_MM[1] - (row + 1) * TITLE_MM[1] / 4
        if row < 3:
            _line(ink, (left, low), (right, low), Pen.THIN)
        x = left
        for caption, words, wide in cells:
            if x > left:
                _line(ink, (x, low), (x, low + TITLE_MM[1] / 4), Pen.THIN)
            _cell(ink, (x, low), caption, words, wide)
            x += wide
    _projection_symbol(ink, subject, (right - 12.0, bottom + TITLE_MM[1] / 8))


def _cells(subject: Subject, layout: Layout) -> Iterator[tuple[tuple[str, str, float], ...]]:
    """Give the rows of the title block: caption, words and width of each cell."""
    spec, template = subject.spec, subject.rod.template
    paper = "A4" if subject.profile.paper is Paper.A4 else "US Letter"
    lab = ", ".join((subject.profile.name, *subject.profile.address)).strip(", ")
    yield (("Laboratory", lab, 84.0), ("Title", f"Connector rod. {template.title}", 96.0))
    yield (
        ("Case", str(spec["case"]), 84.0), ("Template", template.name, 62.0),
        ("Revision", str(spec["revision"]), 34.0),
    )
    process = spec["process"]
    yield (
        ("Material", process["material"], 84.0), ("Process", process["title"], 62.0),
        ("Date", spec["date"], 34.0),
    )
    program = spec["program"]
    yield (
        ("Drawn by", f"{program['name']} {program['version']}", 42.0), ("Checked", "", 42.0),
        ("Scale", scale_words(layout.per_mm), 20.0), ("Paper", paper, 24.0),
        ("Sheet", "1 of 1", 18.0), ("Projection", "", 34.0),
    )


def _cell(ink: Ink, corner: Point2, caption: str, words: str, wide: float) -> None:
    x, y = corner
    height = TITLE_MM[1] / 4
    ink.texts.append(Text(caption, (x + _INSET_MM, y + height - 2.6), SMALL_MM))
    room = wide - 2 * _INSET_MM
    heights = (LARGE_MM, TEXT_MM) if caption in ("Case", "Title") else (TEXT_MM,)
    fits = [one for one in heights if width_mm(words, one) <= room]
    if fits:
        lines = [(words, fits[0], 1.7)]
    elif width_mm(words, TEXT_MM) <= room / LEAST_SQUEEZE:
        lines = [(words, TEXT_MM, 1.7)]
    else:
        lines = [
            (line, SMALL_MM, base)
            for line, base in zip(in_two(words, SMALL_MM, room), (3.6, 0.9), strict=False)
        ]
    ink.texts += [
        Text(line, (x + _INSET_MM, y + base), own, most_mm=room, own=True)
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
        _line(ink, (u, y - reach), (u, y + reach), Pen.VISIBLE)
    for way in (-1.0, 1.0):
        _line(ink, (ends[0][0], y + way * small), (ends[1][0], y + way * large), Pen.VISIBLE)
    for reach in (small, large):
        ink.strokes.append(Stroke(Arc((rings, y), reach, 0.0, 360.0), Pen.VISIBLE))
    _line(ink, (ends[0][0] - 1.2, y), (ends[1][0] + 1.2, y), Pen.THIN)
    _line(ink, (rings - 3.6, y), (rings + 3.6, y), Pen.THIN)
    _line(ink, (rings, y - 3.6), (rings, y + 3.6), Pen.THIN)


def _table(ink: Ink, subject: Subject, layout: Layout) -> None:
    """List the lengths of the set at the upper right corner."""
    rows = list(_rows(subject.spec))
    left, top = layout.table_left, layout.frame[3]
    bottom = top - HEAD_MM - len(rows) * ROW_MM
    _box(ink, left, left + TABLE_MM, bottom, top, Pen.VISIBLE)
    _line(ink, (left, top - HEAD_MM), (left + TABLE_MM, top - HEAD_MM), Pen.VISIBLE)
    x = left
    for wide in COLUMNS_MM[:-1]:
        x += wide
        _line(ink, (x, bottom), (x, top), Pen.THIN)
    head = ("Part", "L", PLUS_MINUS, "Qty", "Steps")
    _table_row(ink, head, left, top - HEAD_MM + 1.8)
    for number, row in enumerate(rows, 1):
        low = top - HEAD_MM - number * ROW_MM
        _table_row(ink, row, left, low + 0.9)
        if number < len(rows):
            _line(ink, (left, low), (left + TABLE_MM, low), Pen.THIN)


def _table_row(ink: Ink, row: tuple[str, ...], left: float, base: float) -> None:
    x = left
    for index, (words, wide) in enumerate(zip(row, COLUMNS_MM, strict=True)):
        at, align = (x + _INSET_MM, Align.LEFT)
        if index in (1, 2, 3):
            at, align = (x + wide - _INSET_MM, Align.RIGHT)
        ink.texts.append(Text(words, (at, base), TEXT_MM, align, most_mm=wide - _INSET_MM))
        x += wide


def _rows(spec: Any) -> Iterator[tuple[str, ...]]:
    """Give the rows: part, length, tolerance, pieces, and the steps and sides that take it."""
    for part in spec["parts"]:
        uses = part["uses"]
        limits = [spec["tolerances_mm"][use["step"] - 1][use["side"]] for use in uses]
        steps: dict[int, str] = {}
        for use in uses:
            steps[use["step"]] = steps.get(use["step"], "") + use["side"][0].upper()
        words = ", ".join(
            f"{step} {'L+R' if len(sides) > 1 else sides}" for step, sides in steps.items()
        )
        yield (
            part["part"], part["length_mm"], size(min(limits)), str(part["quantity"]), words,
        )


def _notes(ink: Ink, subject: Subject, layout: Layout) -> None:
    """Write the general notes between section and table, above the title block."""
    left = layout.frame[1] - TITLE_MM[0]
    wide = layout.table_left - left - 3.0
    y = layout.frame[2] + TITLE_MM[1] + 3.0
    lines: list[tuple[str, str]] = []
    for number, words in enumerate(note_words(subject), 1):
        first, *rest = wrapped(words, TEXT_MM, wide - 5.0)
        lines += [(str(number), first), *(("", line) for line in rest)]
    for mark, words in reversed(lines):
        if mark:
            ink.texts.append(Text(mark, (left, y), TEXT_MM))
        ink.texts.append(Text(words, (left + 5.0, y), TEXT_MM, most_mm=wide - 5.0, own=True))
        y += NOTE_ROW_MM


def note_words(subject: Subject) -> list[str]:
    """Give the general notes of the drawing."""
    template = subject.rod.template
    notes = [
        f"Dimensions in mm. Drawn at L = {subject.rod.label}; L of every part by the table.",
        f"General tolerances ISO 2768-{template.length_tolerance}. Fits ISO 286. "
        "Sizes are those of the finished part.",
        "Label on the inward face, upright as drawn, never mirrored.",
    ]
    if template.handed:
        notes.append(
            f"Drawn: part {subject.rod.part}. The other side's part is its mirror image, back to "
            "front; its label is not mirrored."
        )
    notes.append(f"{template.hardware}.")
    return notes
