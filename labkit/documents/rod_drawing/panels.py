"""Frame, title block, table of lengths and notes."""

from __future__ import annotations

from labkit.core.rod.rods import RodTemplate
from labkit.documents.drawing import TEXT_MM, Ink, Pen, Text
from labkit.documents.letters import wrapped
from labkit.documents.rod_drawing.arrange import TITLE_MM, Layout
from labkit.documents.rod_drawing.lengths_table import (
    Row,
    rows_by_sheet,
    table_beside_views,
    table_rows,
    tables_side_by_side,
)
from labkit.documents.rod_drawing.subject import Subject
from labkit.documents.rod_drawing.title_block import SheetNumber, title_block
from labkit.documents.rod_drawing.words import DIAMETER, size
from labkit.documents.set_spec import part_of
from labkit.documents.standing import marked_places

NOTE_ROW_MM = 4.0


def draw_panels(ink: Ink, subject: Subject, layout: Layout) -> list[Ink]:
    """Put everything on the sheet that is not a view or a dimension.

    Args:
        ink: Collects what is drawn on the first sheet.
        layout: Where everything lies.

    Returns:
        Content of the further sheets that the table of lengths needs; usually none.
    """
    first, *rest = rows_by_sheet(list(table_rows(subject.spec)), layout)
    ink.box(*layout.frame, Pen.FRAME)
    title_block(ink, subject, layout, SheetNumber(1, 1 + len(rest)))
    table_beside_views(ink, first, layout, bool(rest))
    _notes(ink, subject, layout)
    return [
        _further(subject, layout, rows, SheetNumber(number, 1 + len(rest)))
        for number, rows in enumerate(rest, 2)
    ]


def _further(subject: Subject, layout: Layout, rows: list[Row], sheet: SheetNumber) -> Ink:
    """Draw a sheet that continues the table of lengths."""
    ink = Ink()
    ink.box(*layout.frame, Pen.FRAME)
    title_block(ink, subject, layout, sheet)
    tables_side_by_side(ink, rows, layout)
    left, bottom = layout.frame[0] + 3.0, layout.frame[2] + 3.0
    room = layout.frame[1] - TITLE_MM[0] - left - 3.0
    words = "Lengths in mm. The rod, its notes and the first lengths are on sheet 1."
    for row, line in enumerate(reversed(wrapped(words, TEXT_MM, room))):
        ink.append(Text(line, (left, bottom + row * NOTE_ROW_MM), most_mm=room))
    return ink


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
            ink.append(Text(mark, (left, y), TEXT_MM))
        ink.append(Text(words, (left + 5.0, y), TEXT_MM, most_mm=wide - 5.0, own=True))
        y += NOTE_ROW_MM


def _aims(template: RodTemplate) -> str:
    ends = (template.lower, template.upper)
    return ", ".join(
        dict.fromkeys(f"{end.noun} {DIAMETER}{size(end.aim_mm)}" for end in ends)
    )


def note_words(subject: Subject) -> list[str]:
    """Give the general notes of the drawing."""
    template = subject.rod.template
    notes = [
        f"Dimensions in mm. Drawn at L = {subject.rod.label}; L of every part by the table.",
        f"General tolerances ISO 2768-{template.length_tolerance}. Fits ISO 286. "
        "Sizes are those of the finished part; files have the middle of each fit: "
        f"{_aims(template)}.",
        "Label on the inward face, upright as drawn, never mirrored.",
    ]
    if template.handed:
        notes.append(
            f"Drawn: part {subject.rod.part}. The other side's part is its mirror image, back to "
            "front; its label is not mirrored."
        )
    if (beside := subject.label.case_mark) is not None and template.case_mark is not None:
        notes.append(
            f"Case mark {beside.text}, the same on every rod: {beside.height_mm:g} high, depth of "
            f"the label, at the reader's right, {template.case_mark.clear_mm:g} or more from it."
        )
    notes.append(f"{template.hardware}.")
    uses = (use for part in subject.spec["parts"] for use in part_of(part).uses)
    if marked := marked_places(subject.spec, uses):
        notes.append(f"{marked}.")
    return notes
