"""The table of lengths: one column beside the views, the rest on further sheets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from labkit.core.label.lettering import Point2
from labkit.documents.drawing import TEXT_MM, Align, Ink, Pen, Text
from labkit.documents.rod_drawing.arrange import TABLE_MM, TITLE_MM, Layout
from labkit.documents.rod_drawing.words import PLUS_MINUS, size

ROW_MM, HEAD_MM = 4.2, 6.0
#: Words keep this distance from the lines of their cell.
INSET_MM = 1.2
#: Columns of the table: part, L, tolerance, quantity, steps.
COLUMNS_MM = (13.0, 11.0, 10.0, 8.0, 18.0)
#: Room between two tables side by side, and between a table and the title block.
GAP_MM = 3.0

Row = tuple[str, ...]


def rows_by_sheet(rows: Sequence[Row], layout: Layout) -> list[list[Row]]:
    """Share the rows among the sheets.

    Args:
        layout: Where everything lies.

    Returns:
        Rows of each sheet: the first one has one table, with room for a line of words below it
        if others follow; those have as many tables as stand side by side.
    """
    column = rows_of_a_column(layout)
    if len(rows) <= column:
        return [list(rows)]
    first, full = column - 1, column * len(_lefts(layout))
    rest = rows[first:]
    return [
        list(rows[:first]), *(list(rest[at : at + full]) for at in range(0, len(rest), full))
    ]


def rows_of_a_column(layout: Layout) -> int:
    """Give the most rows that fit between the upper edge and the title block."""
    _, _, bottom, top = layout.frame
    return int((top - bottom - TITLE_MM[1] - GAP_MM - HEAD_MM) / ROW_MM)


def _lefts(layout: Layout) -> list[float]:
    """Give the left edges of the tables of a further sheet."""
    left, right, *_ = layout.frame
    count = int((right - left + GAP_MM) / (TABLE_MM + GAP_MM))
    return [left + index * (TABLE_MM + GAP_MM) for index in range(count)]


def table_beside_views(ink: Ink, rows: Sequence[Row], layout: Layout, continued: bool) -> None:
    """Draw the first sheet's table at its upper right corner.

    Args:
        layout: Where everything lies.
        continued: Whether further rows stand on another sheet.
    """
    corner = (layout.table_left, layout.frame[3])
    low = _table(ink, rows, corner)
    if continued:
        ink.append(
            Text("More parts: sheet 2 of the PDF", (corner[0] + INSET_MM, low - 3.6),
                 most_mm=TABLE_MM - 2 * INSET_MM)
        )


def tables_side_by_side(ink: Ink, rows: Sequence[Row], layout: Layout) -> None:
    """Fill a further sheet with tables, from the left."""
    column = rows_of_a_column(layout)
    for index, left in enumerate(_lefts(layout)):
        some = rows[index * column : (index + 1) * column]
        if some:
            _table(ink, some, (left, layout.frame[3]))


def _table(ink: Ink, rows: Sequence[Row], corner: Point2) -> float:
    """Draw a table from its upper left corner downwards, and give its lower edge."""
    left, top = corner
    bottom = top - HEAD_MM - len(rows) * ROW_MM
    ink.box(left, left + TABLE_MM, bottom, top, Pen.VISIBLE)
    ink.line((left, top - HEAD_MM), (left + TABLE_MM, top - HEAD_MM), Pen.VISIBLE)
    x = left
    for wide in COLUMNS_MM[:-1]:
        x += wide
        ink.line((x, bottom), (x, top), Pen.THIN)
    head = ("Part", "L", PLUS_MINUS, "Qty", "Steps")
    _table_row(ink, head, left, top - HEAD_MM + 1.8)
    for number, row in enumerate(rows, 1):
        low = top - HEAD_MM - number * ROW_MM
        _table_row(ink, row, left, low + 0.9)
        if number < len(rows):
            ink.line((left, low), (left + TABLE_MM, low), Pen.THIN)
    return bottom


def _table_row(ink: Ink, row: Row, left: float, base: float) -> None:
    x = left
    for index, (words, wide) in enumerate(zip(row, COLUMNS_MM, strict=True)):
        at, align = (x + INSET_MM, Align.LEFT)
        if index in (1, 2, 3):
            at, align = (x + wide - INSET_MM, Align.RIGHT)
        ink.append(Text(words, (at, base), TEXT_MM, align, most_mm=wide - INSET_MM))
        x += wide


def table_rows(spec: Any) -> Iterator[Row]:
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
