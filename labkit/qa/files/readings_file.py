"""Reads the inspection form's CSV as QA filled it in: every mistake with line and column."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TypeVar

from labkit.core.gauging.ways_of_measuring import Method
from labkit.errors import LabkitError
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.readings import RodReadings, label_parts
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.decision.slips import Typing, copied_column, slip_in
from labkit.qa.files.form_cells import check_dates, check_form, may_text, read_label, read_pins
from labkit.qa.files.form_identity import check_identity, find_place
from labkit.qa.files.form_instrument import read_instrument
from labkit.qa.percent import percent_told
from labkit.tables.file import (
    Cell,
    Mistakes,
    TableFile,
    day,
    number,
    one_of,
    problem,
    read_table,
    words,
)
from labkit.tables.values import shown

ValueT = TypeVar("ValueT")

READING_COLUMNS = ("reading_1_mm", "reading_2_mm", "reading_3_mm")
#: Without these no reading has a meaning.
REQUIRED = ("identifier", "way", "reading_1_mm")
#: Columns of the form that come filled in; a spreadsheet may write their numbers in its own way.
PRINTED = (
    "schema", "case", "revision", "step", "side", "label", "tolerance_mm", "subtract_mm",
    "nominal_mm", "lower_mm", "upper_mm",
)  # fmt: skip
#: Columns that are filled in, beside the readings.
FILLED = (
    "label_read", "fittings", "result", "instrument", "calibration_due", "temperature_c",
    "decision_rule", "measured_on", "measured_by", "checked_on", "checked_by", "material_lot",
    "remark",
)  # fmt: skip
#: What is about one rod; the others may be filled in down a whole column, measured or not.
_ABOUT_THE_ROD = ("label_read", "fittings", "result")
OPTIONAL = (*PRINTED, "gauge_pins_mm", *READING_COLUMNS[1:], *FILLED)
#: Slips of the decimal sign lie within and are told as such. No rod is shorter than 5 mm, so that
#: 33.424 cannot be meant as thousands: 33424 lies beyond.
LEAST_READING_MM, MOST_READING_MM = Decimal("0.01"), Decimal(4999)
#: Rods are not measured outside of these, °C.
COLDEST_C, HOTTEST_C = 5, 45
_RESULTS = {
    "conforms": "conforms", "does not": "does not conform", "does not conform": "does not conform",
    "undecided": "undecided",
}  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """What an inspection form is read against.

    Args:
        bench: The set, ways of measuring, instruments.
        where_is: Tells of an identifier that fills no place of the set what it is, in words.
        instrument: Instrument for rows that name none, None for the process's usual gauge.
        lot: Lot of the material for rows that name none.
        as_typed: Whether readings that are merely far off are taken as they stand.
    """

    bench: Bench
    today: datetime.date
    where_is: Callable[[str], str]
    instrument: str | None = None
    lot: str | None = None
    as_typed: bool = False


def read_inspection(raw: bytes, name: str, sheet: Sheet) -> tuple[MeasuredRod, ...]:
    """Read an inspection form that was filled in.

    Args:
        raw: The whole file, in any dialect of a spreadsheet; see `read_table`.
        sheet: What it is read against.

    Returns:
        The rods that have readings, in the order of the file; at least one.

    Raises:
        InputErrors: Every mistake in the file, each with file, line, column and its name.
    """
    numbers = (*READING_COLUMNS, "temperature_c")
    table = read_table(raw, name, REQUIRED, OPTIONAL, numbers=numbers)
    mistakes, read, seen = Mistakes(), [], dict[str, int]()
    for row in table.rows:
        reader = _RowReader(row, table, sheet, mistakes)
        if found := reader.read(seen):
            read.append((found, reader))
    _check_copies([reader for _, reader in read], sheet, table, mistakes)
    if not read and not mistakes.errors:
        mistakes.add(problem(
            table.rows[0]["reading_1_mm"], table,
            "is empty, as in every other line; fill in the readings of at least one rod",
        ))  # fmt: skip
    mistakes.stop()
    return tuple(rod for rod, _ in read)


class _RowReader:
    """Reads one row; what is wrong goes to the mistakes."""

    def __init__(
        self, row: Mapping[str, Cell], table: TableFile, sheet: Sheet, mistakes: Mistakes
    ) -> None:
        self.row, self.table, self.sheet, self.mistakes = row, table, sheet, mistakes
        self.readings: tuple[Decimal, ...] = ()
        self.cells: dict[str, Decimal] = {}

    def read(self, seen: dict[str, int]) -> MeasuredRod | None:
        """Read the row; None where it is not measured, or wrong."""
        before = len(self.mistakes.errors)
        if not self._is_touched():  # nothing to be lost; it may be a rod replaced meanwhile
            return None
        place = self.mistakes.take(
            find_place, self.row, self.table, self.sheet.bench, self.sheet.where_is
        )
        if place is None or not self._is_first(place, seen):
            return None
        for each in check_identity(self.row, self.table, self.sheet.bench, place):
            self.mistakes.add(each)
        if not self._is_filled():
            return None
        known = [way.method for way in self.sheet.bench.ways]
        word = self.mistakes.take(one_of, self.row["way"], self.table, known)
        if word is None:
            return None
        readings = self._rod(place, Method(word))
        if readings is None or len(self.mistakes.errors) > before:
            return None
        rod = self._measured(readings)
        return None if len(self.mistakes.errors) > before else rod

    def _is_first(self, place: Place, seen: dict[str, int]) -> bool:
        """Tell whether the rod has no earlier line."""
        cell = self.row["identifier"]
        first = seen.setdefault(place.expected.identifier, cell.line)
        if first != cell.line:
            message = f"stands in line {first}, too; a rod has one line with all its readings"
            self.mistakes.add(problem(cell, self.table, message))
        return first == cell.line

    def _is_touched(self) -> bool:
        """Tell whether anything about this rod was filled in."""
        return any(self._text(name) for name in (*READING_COLUMNS, *_ABOUT_THE_ROD))

    def _is_filled(self) -> bool:
        """Tell whether the rod was measured; what is half filled in is not passed over."""
        texts = [self._text(name) for name in READING_COLUMNS]
        if any(texts):
            gap = next((at for at, text in enumerate(texts) if not text), len(texts))
            if any(texts[gap:]):
                message = "is empty, but a later reading is not; fill the readings in from the left"
                self.mistakes.add(problem(self.row[READING_COLUMNS[gap]], self.table, message))
            return True
        filled = next(name for name in _ABOUT_THE_ROD if self._text(name))
        message = (
            f"is empty, but {filled} is filled in; give the reading, or empty the line of a rod "
            "that was not measured"
        )
        self.mistakes.add(problem(self.row["reading_1_mm"], self.table, message))
        return False

    def _rod(self, place: Place, method: Method) -> RodReadings | None:
        take, row, table, bench = self.mistakes.take, self.row, self.table, self.sheet.bench
        way = bench.way(method)
        errors, self.cells = check_form(row, table, bench, place, way)
        for each in errors:
            self.mistakes.add(each)
        pins = take(read_pins, row, table, way)
        measured_on, checked_on = self._may(day, "measured_on"), self._may(day, "checked_on")
        dates = (measured_on, checked_on)
        for each in check_dates(row, table, dates, (bench.made_on, self.sheet.today)):
            self.mistakes.add(each)
        on = measured_on or self.sheet.today
        instrument = take(read_instrument, row, table, bench, (self.sheet.instrument, way, on))
        self.readings = self._numbers(place, method)
        fittings = self._may(one_of, "fittings", ("yes", "no"))
        if not self.readings:
            return None
        return RodReadings(
            identifier=place.expected.identifier,
            method=method,
            readings_mm=self.readings,
            gauge_pins_mm=pins,
            label_read=take(read_label, row, table, place, self.readings),
            fittings=None if fittings is None else fittings == "yes",
            instrument=instrument,
            temperature_c=self._temperature(),
            material_lot=self._lot(),
            measured_on=on,
            measured_by=self._may(words, "measured_by", 32),
            checked_on=checked_on,
            checked_by=self._may(words, "checked_by", 32),
            remark=take(may_text, row, table, "remark") or "",
            where=f"{table.name}:{row['identifier'].line}",
        )

    def _numbers(self, place: Place, method: Method) -> tuple[Decimal, ...]:
        """Read the readings and ask about slips."""
        label = self._text("label_read")
        typing = typing_of(self.sheet.bench, place, method, self.cells, label)
        readings: list[Decimal] = []
        for name in (name for name in READING_COLUMNS if self._text(name)):
            cell = self.row[name]
            value = self.mistakes.take(
                number, cell, self.table, LEAST_READING_MM, MOST_READING_MM
            )
            slip = None if value is None else slip_in(value, typing)
            if slip is not None and (slip.certain or not self.sheet.as_typed):
                keep = "" if slip.certain else "; where it is really so, give --as-typed"
                told = f"{shown(cell.text)} read, {slip.sentence}{keep}"
                self.mistakes.add(problem(cell, self.table, told))
            elif value is not None:
                readings.append(value)
        return tuple(readings)

    def _measured(self, readings: RodReadings) -> MeasuredRod | None:
        """Decide on the rod; scatter and a result that was written down are asked about here."""
        try:
            rod = self.sheet.bench.measured(readings)
        except LabkitError as error:
            self.mistakes.add(problem(self.row["way"], self.table, error.message))
            return None
        for finding in rod.problems:
            if finding.code == "scatter" and not self.sheet.as_typed:
                told = f"{finding.message}; where they are really so, give --as-typed"
                self.mistakes.add(problem(self.row["reading_1_mm"], self.table, told))
        claimed = self._may(one_of, "result", tuple(_RESULTS))
        if claimed and _RESULTS[claimed] != rod.result:
            p = percent_told(rod.decision.probability)
            self.mistakes.add(problem(
                self.row["result"], self.table,
                f'"{claimed}", but the readings give "{rod.result}" (length within its tolerance '
                f"with {p}); the result is worked out here: empty the cell, or look at the "
                "readings again",
            ))  # fmt: skip
        return rod

    def _temperature(self) -> float | None:
        value = self._may(number, "temperature_c", COLDEST_C, HOTTEST_C)
        return None if value is None else float(value)

    def _lot(self) -> str | None:
        lot, given = self._may(words, "material_lot"), self.sheet.lot
        if lot and given and lot != given:
            message = f'"{lot}" contradicts --lot {given}; give one of the two'
            self.mistakes.add(problem(self.row["material_lot"], self.table, message))
        return lot or given

    def _may(
        self, reader: Callable[..., ValueT], name: str, *arguments: object
    ) -> ValueT | None:
        """Read a cell that may be empty or absent."""
        if not self._text(name):
            return None
        return self.mistakes.take(reader, self.row[name], self.table, *arguments)

    def _text(self, name: str) -> str:
        return self.row[name].text if name in self.row else ""


def typing_of(
    bench: Bench, place: Place, method: Method, cells: Mapping[str, Decimal], label: str
) -> Typing:
    """Give what the readings of a rod are compared with.

    Args:
        cells: Other numbers of its row, by name.
        label: The label as read from it, empty if it was not: readings that fit a strange label are
            those of a strange rod, and no slips.
    """
    own = place.expected.length_mm
    lengths = {other.expected.length_mm for other in bench.places}
    if parts := label_parts(label):
        lengths.add(parts[0])
    others = frozenset(lengths - {own})
    return Typing(place.expected, bench.way(method), bench.ways, others, cells)


def _check_copies(
    rows: list[_RowReader], sheet: Sheet, table: TableFile, mistakes: Mistakes
) -> None:
    """Ask about a column of the form that stands in the readings of every rod."""
    column = copied_column([(reader.readings, reader.cells) for reader in rows])
    if column and not sheet.as_typed:
        cell = rows[0].row["reading_1_mm"]
        mistakes.add(problem(
            cell, table,
            f"every reading of every rod equals {column} to the last digit; these look copied, not "
            "measured; give the readings, or --as-typed where they are really so",
        ))  # fmt: skip
