"""One row of an inspection form while it is read: its cells, and what it is about."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from functools import cached_property
from typing import TypeVar

from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.ways_of_measuring import PRINTED_MM, Way
from labkit.errors import InputError
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.limits import RodLimits, rod_limits
from labkit.qa.decision.readings import LOOK
from labkit.tables.cells import day
from labkit.tables.values import Cell, Mistakes, TableFile, problem

ValueT = TypeVar("ValueT")


@dataclass(frozen=True)
class FormLine:
    """What a line of the inspection form is about: a rod and the way to measure it."""

    case: str
    place: Place
    way: Way

    @cached_property
    def limits(self) -> RodLimits:
        """Limits of the rod, with the usual gauge of its process."""
        rod = self.place.expected
        return rod_limits(rod.length_mm, rod.tolerance_mm, self.way, self.place.gauge())

    @property
    def nominal_mm(self) -> Decimal:
        """Reading of a rod in the middle of everything."""
        return (self.place.expected.length_mm + self.way.shift_mm).quantize(PRINTED_MM)

    @property
    def pins(self) -> str:
        """Diameters of the gauge pins, each once; empty without pins."""
        return " ".join(map(str, dict.fromkeys(self.way.gauge_pins_mm)))


@dataclass(frozen=True)
class Sheet:
    """What an inspection form is read against.

    Args:
        where_is: Tells of an identifier that fills no place of the set what it is, in words.
        instrument: Instrument for rows that name none, None for the process's usual gauge.
        look: What was seen on rods whose row tells nothing of it; `points` are looked at.
        pins, pins_name: Known sets of gauge pins; the one for rows that name none.
        lot, use_before, temperature_c: Lot of the material, its last day, and temperature for rows
            that name none.
        as_typed: Whether readings that are merely far off are taken as they stand.
        keep_by: What is done so that they are.
    """

    bench: Bench
    today: datetime.date
    where_is: Callable[[str], str]
    instrument: str | None = None
    lot: str | None = None
    temperature_c: float | None = None
    as_typed: bool = False
    keep_by: str = "give --as-typed"
    pins: Mapping[str, GaugePins] = field(default_factory=dict)
    pins_name: str | None = None
    look: tuple[str, ...] | None = None
    points: tuple[str, ...] = LOOK
    use_before: datetime.date | None = None


@dataclass
class FormRow:
    """One row being read; what is wrong goes to the mistakes.

    Args:
        cells: Known column name → cell; a column that the file does not have is not in it.
        line: Its rod, measured the way it names, or the form's own way until that is known.
    """

    cells: Mapping[str, Cell]
    table: TableFile
    sheet: Sheet
    mistakes: Mistakes
    line: FormLine
    readings: tuple[Decimal, ...] = ()

    def text(self, name: str) -> str:
        """Give the text of a cell, empty where there is none."""
        return self.cells[name].text if name in self.cells else ""

    def cell(self, name: str) -> Cell | None:
        """Give a cell that is there and not empty; None otherwise."""
        return self.cells[name] if self.text(name) else None

    def may(
        self, reader: Callable[..., ValueT], name: str, *arguments: object
    ) -> ValueT | None:
        """Read a cell that may be empty or absent."""
        cell = self.cell(name)
        return None if cell is None else self.mistakes.take(reader, cell, self.table, *arguments)

    def wrong(self, cell: Cell | str, message: str) -> InputError:
        """Make the error for a cell of the row, or for the column of that name."""
        return problem(self.cells[cell] if isinstance(cell, str) else cell, self.table, message)

    @cached_property
    def told_on(self) -> datetime.date | None:
        """Day of the readings as told; what is wrong with it is for its own column to say."""
        cell = self.cell("measured_on")
        return None if cell is None else Mistakes().take(day, cell, self.table)

    @property
    def on(self) -> datetime.date:
        """Day of the readings: as told, else today."""
        return self.told_on or self.sheet.today


def form_number(text: str) -> Decimal | None:
    """Read a number of the form itself, however the spreadsheet wrote its decimal sign."""
    try:
        value = Decimal(text.replace("\u2212", "-").replace(",", "."))
    except InvalidOperation:
        return None
    return value if value.is_finite() else None


def taken_otherwise(text: str, value: Decimal) -> bool:
    """Tell whether a printed number became a date, or lost its point as if it parted thousands."""
    digits = value.scaleb(-int(value.as_tuple().exponent))
    became_date = any(sign.isalpha() for sign in text)
    return became_date or (digits != value and form_number(text) == digits)
