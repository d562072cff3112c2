"""Reads the bytes of a CSV table as spreadsheets write it, and never guesses."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

from labkit.core.form.numbers import could_be_thousands
from labkit.core.form.words import LIKENESS, nearest
from labkit.errors import InputError, InputErrors
from labkit.tables.cells import is_decimal_number
from labkit.tables.text import Record, decoded, records_of
from labkit.tables.values import Cell, Mistakes, TableFile, problem, shown
from labkit.units import counted

_SIGNS = {".": "point", ",": "comma"}
#: Beside columns that are passed over, only a name this alike is taken for a typing slip.
_SLIP = 0.8
#: Columns that are listed where none of them is like the one asked for.
_MOST_TITLES = 12
# Spreadsheets write them in their own language (#REF!, #BEZUG!, #N/A, #NV, Err:502), and ### where
# a column was too narrow.
_ERROR_CELL = re.compile(r"#[^\W\d_][\w/ ]*[!?]|#N/?[AVD]|Err:[0-9]{3}|#{2,}", re.IGNORECASE)
# 12E4 may be a lot; with a sign or a decimal it is what is left of a long number.
_SCIENTIFIC = re.compile(r"[+-]?[0-9]+([.,][0-9]+[eE][+-]?|[eE][+-])[0-9]{1,3}")


def read_table(
    raw: bytes,
    name: str,
    required: Collection[str],
    optional: Collection[str] = (),
    *,
    numbers: Collection[str] | None = None,
    ignore_others: bool = False,
) -> TableFile:
    r"""Read a table with the names of its columns in the first line.

    Fields are separated by commas, semicolons or tabs, whichever gives the most known names in
    the first line; a first line `sep=;` decides. The decimal sign is a point or a comma
    throughout. Columns stand in any order, capitals in their names do not matter, blank lines
    and empty columns without a name are passed over, one apostrophe before a text is dropped.

    Args:
        raw: The whole file: UTF-8, with or without byte order mark, or UTF-16 with one.
        required: Columns that must be there.
        numbers: Columns whose cells show the decimal sign; None: all known ones. Name them where
            text columns may hold something like 3.2.
        ignore_others: Whether columns of other names are passed over instead of refused; then the
            required names are what somebody chose from the table, and a slip is in the choice.

    Raises:
        InputErrors: Every mistake found, each with "file:line, column n (name)".

    >>> table = read_table(b"Part;Value\nA;36,08\n", "a.csv", ["part", "value"])
    >>> table.decimal, table.rows[0]["value"]
    (',', Cell(text='36,08', line=2, column=2, name='value'))
    """
    known = (*required, *optional)
    try:
        records, delimiter = records_of(decoded(raw, name), name, known)
    except InputError as error:
        raise InputErrors((error,)) from error
    head, *body = records
    mistakes = Mistakes()
    columns = _columns(head, name, known, tuple(optional) if ignore_others else None, mistakes)
    _require_columns(head, name, tuple(required), columns, ignore_others, mistakes)
    if delimiter == ",":
        _require_even(records, name, mistakes)
    rows = tuple(row for record in body if (row := _row(record, name, columns, mistakes)))
    decimal, proven = _decimal_sign(rows, name, known if numbers is None else numbers, mistakes)
    header = tuple(title.strip() for title in head.texts)
    table = TableFile(name, header, rows, delimiter, decimal, proven)
    if not body:
        mistakes.add(InputError("has no row under the names of its columns", where=name))
    mistakes.stop()
    return table


def _columns(
    head: Record, name: str, known: Sequence[str], slips: Sequence[str] | None, mistakes: Mistakes
) -> list[str | None]:
    """Say for each column which known one it is: "" without a name, None for any other.

    Other columns are refused where `slips` is None, else passed over unless they look like one of
    these mistyped.
    """
    looked_for = known if slips is None else slips
    titles = [_bare(title).casefold() for title in head.texts]
    columns: list[str | None] = []
    for index, title in enumerate(titles):
        message, written = "", _bare(head.texts[index])
        if title in known and title in columns:
            message = f"is the heading of column {columns.index(title) + 1} too; keep one of them"
        elif title and title not in known:
            absent = [word for word in looked_for if word not in titles]
            if message := _unknown(title, absent, slips is not None):
                message += f"; known are {', '.join(known)}"
        if message:
            mistakes.add(problem(Cell(written, head.line, index + 1, written), name, message))
        columns.append(title if title in known or not title else None)
    return columns


def _unknown(title: str, absent: Sequence[str], ignore: bool) -> str:
    """Say what is wrong with a column of an unknown name; nothing where it is passed over."""
    near = nearest(title, absent, _SLIP if ignore else LIKENESS)
    if near:
        return f"is not a known column; did you mean `{near}`?"
    return "" if ignore else "is not a known column; rename it or take it out"


def _require_columns(
    head: Record,
    name: str,
    required: Sequence[str],
    columns: Sequence[str | None],
    chosen: bool,
    mistakes: Mistakes,
) -> None:
    """Name the required columns that are missing, unless a typing slip explains it."""
    suggested = {error.message.partition("`")[2].partition("`")[0] for error in mistakes.errors}
    for missing in (word for word in required if word not in columns and word not in suggested):
        hint = _nearest_of(head, missing) if chosen else (
            "the first line names the columns, separated by commas, semicolons or tabs"
        )
        mistakes.add(InputError(
            f"has no column `{missing}`; {hint}", field=missing, where=f"{name}:{head.line}"
        ))


def _nearest_of(head: Record, missing: str) -> str:
    """Say which column of the table a mistyped choice may have meant, or which there are."""
    titles = {title.casefold(): title for title in map(_bare, head.texts) if title}
    near = nearest(missing, titles)
    if near:
        return f"did you mean `{shown(titles[near])}`?"
    named = ", ".join(f"`{shown(title)}`" for title in list(titles.values())[:_MOST_TITLES])
    more = ", …" if len(titles) > _MOST_TITLES else ""
    return f"its columns are {named}{more}; name one of them"


def _row(
    record: Record, name: str, columns: Sequence[str | None], mistakes: Mistakes
) -> Mapping[str, Cell]:
    """Give the cells of one row by the name of their column."""
    row: dict[str, Cell] = {}
    for index, text in enumerate(record.texts):
        title = columns[index] if index < len(columns) else ""
        if not title:
            continue
        cell = Cell(_bare(text), record.line, index + 1, title)
        if reason := _spoiled(text.strip()):
            mistakes.add(problem(cell, name, f'"{shown(cell.text)}" {reason}'))
        row[title] = cell
    _require_no_more(record, name, columns, mistakes)
    for index, title in enumerate(columns):
        if title and title not in row:  # a short row: its last cells are empty
            row[title] = Cell("", record.line, index + 1, title)
    return row


def _bare(text: str) -> str:
    """Take off the space around a cell and the apostrophe that marks it as text."""
    text = text.strip()
    return text[1:].strip() if text.startswith("'") else text


def _spoiled(text: str) -> str:
    """Say what a spreadsheet did to a cell, nothing if it is sound."""
    if text.startswith(("=", "＝")):
        return "is a formula; save the values instead, or put an apostrophe before a text"
    if _ERROR_CELL.fullmatch(text):
        return "is an error or an incomplete cell of the spreadsheet; correct it there, save again"
    if _SCIENTIFIC.fullmatch(text):
        return (
            "is in scientific notation, digits may be lost; format the column as text and type it "
            "again"
        )
    return ""


def _require_even(records: Sequence[Record], name: str, mistakes: Mistakes) -> None:
    """Refuse rows longer or shorter than the first line: an unquoted 36,08 would shift them."""
    asked = len(records[0].texts)
    for record in records[1:]:
        if len(record.texts) != asked:
            mistakes.add(InputError(
                f"has {counted(len(record.texts), 'field')}, the first line has {asked}; put a "
                "number with a decimal comma in quotes, and separate all fields by commas",
                where=f"{name}:{record.line}",
            ))


def _require_no_more(
    record: Record, name: str, columns: Sequence[str | None], mistakes: Mistakes
) -> None:
    """Refuse a value that stands under no name; one error a row."""
    for index, text in enumerate(record.texts):
        nameless = index >= len(columns) or columns[index] == ""
        if nameless and text.strip():
            mistakes.add(problem(
                Cell(text, record.line, index + 1, ""), name,
                f'"{shown(text.strip())}" has no name of a column above it; name the column or '
                "take the cell out",
            ))
            return


def _decimal_sign(
    rows: Sequence[Mapping[str, Cell]], name: str, numbers: Collection[str], mistakes: Mistakes
) -> tuple[str, bool]:
    """Find the decimal sign of the file and whether it is proven not to part thousands."""
    cells = [
        cell for row in rows for title, cell in row.items()
        if title in numbers and is_decimal_number(cell.text)
    ]
    by_sign = {sign: [cell for cell in cells if sign in cell.text] for sign in _SIGNS}
    more, fewer = sorted(_SIGNS, key=lambda sign: -len(by_sign[sign]))
    if not by_sign[more]:
        return "", False
    if by_sign[fewer]:
        first, other = by_sign[fewer][0], by_sign[more][0]
        mistakes.add(problem(
            first, name, f'"{shown(first.text)}" has a decimal {_SIGNS[fewer]}, but line '
            f"{other.line}, column {other.column} has a decimal {_SIGNS[more]} "
            f'("{shown(other.text)}"); use one decimal sign throughout',
        ))
    return more, not all(could_be_thousands(cell.text) for cell in by_sign[more])
