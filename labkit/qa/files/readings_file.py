"""Reads the inspection form's CSV as QA filled it in: every mistake with line and column."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import PurePath

from labkit.core.case.identifier import LENGTHS, grouped, parse_identifier
from labkit.core.gauging.ways_of_measuring import Method
from labkit.errors import InputError, LabkitError
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.readings import RodReadings, Source, label_parts
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod
from labkit.qa.decision.slips import Typing, copied_column, slip_in
from labkit.qa.files.form_columns import (
    BY_NAME,
    KNOWN,
    READING_COLUMNS,
    TOLD,
    changed_cells,
    printed_numbers,
)
from labkit.qa.files.form_row import FormLine, FormRow, Sheet
from labkit.qa.percent import percent_told
from labkit.tables.cells import one_of
from labkit.tables.columns import read_columns
from labkit.tables.values import Cell, Mistakes, TableFile, problem, shown

#: Without these no reading has a meaning.
NEEDED = ("identifier", "way", "reading_1_mm")
_EMPTY = Cell("", 0, 0, "")
#: What is typed is no file: each number has the decimal sign that it has.
_TYPED = TableFile("as typed", (), (), "", "", proven=True)
#: What is said of a rod, the worst last: a person may say worse than the readings, never better.
_WORSE = (Result.CONFORMS, Result.UNDECIDED, Result.NOT_CONFORMING)


def read_inspection(raw: bytes, name: str, sheet: Sheet) -> tuple[Inspected, ...]:
    """Read an inspection form that was filled in.

    Returns:
        The rods that have readings, or were only looked at, in the order of the file; at least one.

    Raises:
        InputErrors: Every mistake in the file, each with file, line, column and its name.
    """
    table = read_columns(raw, name, KNOWN, NEEDED)
    source = Source(PurePath(name).name, hashlib.sha256(raw).hexdigest())
    mistakes, seen = Mistakes(), dict[str, int]()
    read = [
        (rod, row) for cells in table.rows
        if (row := _begun(cells, table, sheet, mistakes, seen)) and (rod := _rod(row, source))
    ]
    _ask_about_copies([row for _, row in read if row.readings])
    if not read and not mistakes.errors:
        mistakes.add(problem(
            table.rows[0]["reading_1_mm"], table,
            "is empty, as in every other line; fill in at least one rod",
        ))
    mistakes.stop()
    return tuple(rod for rod, _ in read)


@dataclass(frozen=True)
class TypedRod:
    """What is typed into the lines of one rod: texts by the names of the form's columns.

    Args:
        as_typed: Whether its readings are taken as they stand though they are merely far off.
    """

    identifier: str
    texts: Mapping[str, str]
    as_typed: bool = False


def read_typed(
    typed: Iterable[TypedRod], sheet: Sheet
) -> tuple[tuple[Inspected, ...], Mapping[str, tuple[InputError, ...]]]:
    """Read rods as they are typed, by the same rules as a form that was filled in.

    Returns:
        The rods that can be read, and what is wrong with the others, by identifier; a rod of which
        nothing is typed is in neither.
    """
    rods, rows, wrong = list[Inspected](), list[FormRow](), dict[str, tuple[InputError, ...]]()
    for one in typed:
        cells = {name: Cell(text.strip(), 0, 0, name) for name, text in one.texts.items()}
        cells["identifier"] = Cell(one.identifier, 0, 0, "identifier")
        mistakes, own = Mistakes(), replace(sheet, as_typed=one.as_typed)
        row = _begun(cells, _TYPED, own, mistakes, {})
        rod = None if row is None else _rod(row, None)
        if row is not None and rod is not None:
            rods.append(rod)
            rows.append(row)
        if mistakes.errors:
            wrong[one.identifier] = tuple(mistakes.errors)
    measured = [row for row in rows if row.readings]
    _ask_about_copies(measured)
    for row in measured:
        if row.mistakes.errors:
            wrong[row.line.place.identifier] = tuple(row.mistakes.errors)
    return tuple(rod for rod in rods if rod.identifier not in wrong), wrong


def _begun(
    cells: Mapping[str, Cell], table: TableFile, sheet: Sheet, mistakes: Mistakes,
    seen: dict[str, int],
) -> FormRow | None:
    """Begin a row: find its rod; None where it is not touched, or about no rod of its own."""
    touched = any(column.of_rod and cells.get(column.name, _EMPTY).text for column in KNOWN)
    if not touched:  # nothing to be lost; it may be a rod replaced meanwhile
        return None
    place = mistakes.take(_find_place, cells, table, sheet.bench, sheet.where_is)
    if place is None:
        return None
    cell = cells["identifier"]
    first = seen.setdefault(place.identifier, cell.line)
    if first != cell.line:
        message = f"is in line {first} too; a rod has one line with all its readings"
        mistakes.add(problem(cell, table, message))
        return None
    line = FormLine(sheet.bench.case, place, sheet.bench.way(sheet.bench.first))
    return FormRow(cells, table, sheet, mistakes, line)


def _find_place(
    row: Mapping[str, Cell], table: TableFile, bench: Bench, where_is: Callable[[str], str]
) -> Place:
    """Find the rod that a row is about.

    Args:
        where_is: Tells of an identifier that fills no place of the set what it is, in words.

    Raises:
        InputError: It has no usable identifier of the set.
    """
    cell = row["identifier"]
    if cell.text.casefold() == cell.name:
        message = "is the line with the names of the columns again; take it out"
        raise problem(cell, table, message)
    if not cell.text:
        raise problem(cell, table, "is empty; give the digits of the rod")
    try:
        identifier = parse_identifier(cell.text)
    except InputError as error:
        message = error.message.replace(cell.text, shown(cell.text))
        raise problem(cell, table, f"{message}{_meant(cell.text, bench)}") from error
    place = bench.by_identifier.get(identifier)
    if place is None:
        raise problem(cell, table, f"{cell.text} {where_is(identifier)}")
    return place


def _meant(text: str, bench: Bench) -> str:
    """Name the rods of the set that a mistyped identifier may have been."""
    digits = text.replace(" ", "").replace("-", "")
    for whole in (digits.zfill(length) for length in LENGTHS if len(digits) < length):
        if whole not in bench.by_identifier:
            continue
        return (
            f"; {grouped(whole)} is a rod of the set: the spreadsheet dropped leading zeros, so "
            "format the column as text and type it again"
        )
    near = [known for known in bench.by_identifier if _one_slip(digits, known)]
    return f"; did you mean {' or '.join(map(grouped, near))}?" if near else ""


def _one_slip(digits: str, known: str) -> bool:
    """Tell whether one digit is changed, or two neighbours are swapped."""
    if len(digits) != len(known):
        return False
    wrong = [at for at, (a, b) in enumerate(zip(digits, known, strict=True)) if a != b]
    if len(wrong) == 2:
        first, second = wrong
        swapped = digits[first] == known[second] and digits[second] == known[first]
        return swapped and second == first + 1
    return len(wrong) == 1


def _rod(row: FormRow, source: Source | None) -> Inspected | None:
    """Read the rest of a row and decide on its rod; None where it is not measured, or wrong."""
    mistakes, bench = row.mistakes, row.sheet.bench
    before = len(mistakes.errors)
    mistakes.errors += changed_cells(row, of_way=False)
    if source is not None:
        source = replace(source, line=row.cells["identifier"].line)
    if not _is_measured(row):
        seen = _seen(row, source)
        return None if len(mistakes.errors) > before else seen
    known = [way.method for way in bench.ways]
    word = mistakes.take(one_of, row.cells["way"], row.table, known)
    if word is None:
        return None
    row.line = replace(row.line, way=bench.way(Method(word)))
    mistakes.errors += changed_cells(row, of_way=True)
    row.readings = _readings(row)
    values = {column.name: column.take(row) for column in TOLD}
    if len(mistakes.errors) > before:
        return None
    readings = RodReadings(
        row.line.place.identifier, Method(word), row.readings, source=source, **values
    )
    rod = _measured(row, readings)
    return None if len(mistakes.errors) > before else rod


def _seen(row: FormRow, source: Source | None) -> RodReadings:
    """Read what was seen on a rod whose length is told apart."""
    values = {column.name: column.take(row) for column in TOLD if not column.of_length}
    claimed = BY_NAME["result"].take(row)
    return RodReadings(
        row.line.place.identifier, None, source=source,
        verdict=claimed[1] if claimed else None, **values,
    )


def _is_measured(row: FormRow) -> bool:
    """Tell whether the rod has readings; those half filled in are not passed over."""
    texts = [row.text(column.name) for column in READING_COLUMNS]
    if any(texts):
        gap = next((at for at, text in enumerate(texts) if not text), len(texts))
        if any(texts[gap:]):
            name = READING_COLUMNS[gap].name
            if name not in row.cells:
                later = next(c.name for c in READING_COLUMNS[gap:] if row.text(c.name))
                row.mistakes.add(row.wrong(
                    later, f"is filled in, but the table has no {name}; fill the readings in from "
                    "the left",
                ))
            else:
                row.mistakes.add(row.wrong(
                    name, "is empty, but a later reading is not; fill the readings in from the left"
                ))
        return True
    return False


def _readings(row: FormRow) -> tuple[Decimal, ...]:
    """Read the readings and ask about slips."""
    typing = typing_of(row.sheet.bench, row.line, row.text("label_read"))
    readings: list[Decimal] = []
    for column in READING_COLUMNS:
        value = column.take(row)
        slip = None if value is None else slip_in(value, typing)
        if slip is not None and (slip.certain or not row.sheet.as_typed):
            keep = "" if slip.certain else f"; where it is really so, {row.sheet.keep_by}"
            told = f"{shown(row.text(column.name))} read, {slip.sentence}{keep}"
            row.mistakes.add(row.wrong(column.name, told))
        elif value is not None:
            readings.append(value)
    return tuple(readings)


def _measured(row: FormRow, readings: RodReadings) -> MeasuredRod | None:
    """Decide on the rod; scatter and a result that was written down are asked about here."""
    try:
        rod = row.sheet.bench.measured(readings)
    except LabkitError as error:
        where = "temperature_c" if error.field == "temperature_c" else "way"
        if where not in row.cells:
            raise  # it is told for every row by an option
        row.mistakes.add(row.wrong(where, error.message))
        return None
    for finding in rod.problems:
        if finding.code == "scatter" and not row.sheet.as_typed:
            told = f"{finding.message}; where they are really so, {row.sheet.keep_by}"
            row.mistakes.add(row.wrong("reading_1_mm", told))
    written, claimed = BY_NAME["result"].take(row) or ("", "")
    if claimed and _WORSE.index(claimed) > _WORSE.index(rod.result):
        return row.sheet.bench.measured(replace(readings, verdict=claimed))
    if claimed and claimed != rod.result:
        p = percent_told(rod.decision.probability)
        row.mistakes.add(row.wrong(
            "result", f'"{written}", but the readings give "{rod.result}" (length within its '
            f"tolerance with {p}); the result is worked out here: empty the cell, or look at the "
            "readings again",
        ))
    return rod


def typing_of(bench: Bench, line: FormLine, label: str) -> Typing:
    """Give what the readings of a rod are compared with.

    Args:
        label: The label as read from it, empty if it was not: readings that fit a strange label are
            those of a strange rod, and no slips.
    """
    expected = line.place.expected
    lengths = {other.expected.length_mm for other in bench.places}
    if parts := label_parts(label):
        lengths.add(parts[0])
    others = frozenset(lengths - {expected.length_mm})
    return Typing(expected, line.way, bench.ways, others, printed_numbers(line))


def _ask_about_copies(rows: Sequence[FormRow]) -> None:
    """Ask about a column of the form that stands in the readings of every rod."""
    column = copied_column([(row.readings, printed_numbers(row.line)) for row in rows])
    if column and not rows[0].sheet.as_typed:
        rows[0].mistakes.add(rows[0].wrong(
            "reading_1_mm", f"every reading of every rod equals {column} to the last digit; these "
            f"look copied, not measured; give the readings, or {rows[0].sheet.keep_by} where they "
            "are really so",
        ))
