"""Cells of the inspection form beside its readings: what they may say of one rod."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal, InvalidOperation

from labkit.core.gauging.ways_of_measuring import PRINTED_MM, Way
from labkit.errors import InputError
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.limits import rod_limits
from labkit.qa.decision.readings import label_parts
from labkit.tables.file import Cell, TableFile, problem
from labkit.tables.values import shown
from labkit.units import plain

Cells = Mapping[str, Cell]

#: What to do about printed cells that a spreadsheet has spoilt, and why it did.
TAKEN_OTHERWISE = (
    "the spreadsheet took its decimal point for another sign; empty these cells or take their "
    "columns out, or open the form anew with every column as text"
)
#: The lab's day and UTC's may be one apart.
_ZONE = datetime.timedelta(days=1)
#: A label with its side mark is shorter by far.
LABEL_CHARACTERS = 16
_REMARK_CHARACTERS = 500


def check_form(
    row: Cells, table: TableFile, bench: Bench, place: Place, way: Way
) -> tuple[list[InputError], dict[str, Decimal]]:
    """Hold conversion and limits as they stand on a form against those of the way named.

    Returns:
        An error for each cell that was changed, and the numbers as they should be, by name.
    """
    numbers = form_numbers(bench, place, way)
    errors = [
        _changed(cell, table, way, value)
        for name, value in numbers.items()
        if (cell := cell_of(row, name)) and form_number(cell.text) != value
    ]
    return errors, {name: value for name, value in numbers.items() if value is not None}


def _changed(cell: Cell, table: TableFile, way: Way, value: Decimal | None) -> InputError:
    told = (
        f'"{shown(cell.text)}", but it is {_told(value)} for this rod measured "{way.method}"'
    )
    if value is not None and taken_otherwise(cell, value):
        return problem(cell, table, f"{told}: {TAKEN_OTHERWISE}")
    return problem(
        cell, table, f"{told}; put that back or empty the cell, and see that the way is the one "
        "that was used",
    )  # fmt: skip


def taken_otherwise(cell: Cell, value: Decimal) -> bool:
    """Tell whether a printed number became a date, or lost its point as if it parted thousands."""
    digits = value.scaleb(-int(value.as_tuple().exponent))
    became_date = any(sign.isalpha() for sign in cell.text)
    return became_date or (digits != value and form_number(cell.text) == digits)


def form_numbers(bench: Bench, place: Place, way: Way) -> dict[str, Decimal | None]:
    """Give the numbers that the form prints for one rod.

    Returns:
        Numbers by column; limits are None where no reading would conform.
    """
    rod = place.expected
    limits = rod_limits(rod.length_mm, rod.tolerance_mm, way, bench.gauge(rod.identifier, None))
    lower, upper = limits.accepted_reading_mm or (None, None)
    return {
        "tolerance_mm": rod.tolerance_mm,
        "subtract_mm": way.shift_mm,
        "nominal_mm": (rod.length_mm + way.shift_mm).quantize(PRINTED_MM),
        "lower_mm": lower,
        "upper_mm": upper,
    }


def _told(value: Decimal | None) -> str:
    return "empty (no reading would conform)" if value is None else plain(value)


def read_pins(row: Cells, table: TableFile, way: Way) -> str | None:
    """Read which gauge pins were used: those that the conversion is for, or none.

    Returns:
        Their diameters as text, None for a way without pins.

    Raises:
        InputError: Other pins, none where the way needs them, or some where it takes none.
    """
    cell = row.get("gauge_pins_mm") or Cell(
        "", row["way"].line, row["way"].column, row["way"].name
    )
    wanted = list(dict.fromkeys(way.gauge_pins_mm))
    pins = " and ".join(f"{pin} mm" for pin in wanted)
    if not cell.text:
        if not wanted:
            return None
        raise problem(
            cell, table, f'gauge_pins_mm is not told; "{way.method}" is converted for gauge '
            f"pins of {pins}: state the pins that were used",
        )  # fmt: skip
    if not wanted:
        raise problem(
            cell, table, f'"{shown(cell.text)}", but "{way.method}" takes no gauge pins; empty '
            "the cell, or name the way that was used",
        )  # fmt: skip
    if any(taken_otherwise(cell, Decimal(pin)) for pin in wanted):
        raise problem(
            cell, table, f'"{shown(cell.text)}" is no diameter: the spreadsheet took it for '
            "something else; format the column as text and write the diameters of the pins used",
        )  # fmt: skip
    used = {form_number(part) for part in cell.text.replace(";", " ").split()}
    if used != set(wanted):
        raise problem(
            cell, table, f'"{shown(cell.text)}", but "{way.method}" is converted for gauge pins '
            f"of {pins}; measure with these, or in a way without pins",
        )  # fmt: skip
    return " ".join(str(pin) for pin in wanted)


def check_dates(
    row: Cells, table: TableFile,
    told: tuple[datetime.date | None, datetime.date | None],
    bounds: tuple[datetime.date, datetime.date],
) -> Iterator[InputError]:  # fmt: skip
    """Refuse dates that cannot be.

    Args:
        told: Day of the readings and day of the check, None where not told.
        bounds: Day on which the set was recorded as made, and today.

    Yields:
        An error for each.
    """
    made, today = bounds
    for name, on in zip(("measured_on", "checked_on"), told, strict=True):
        if on is not None and on > today + _ZONE:
            message = f"{on} lies in the future; today is {today}"
            yield problem(row[name], table, message)
    measured, checked = told
    if measured is not None and measured < made - _ZONE:
        message = f"{measured}, but the set was made on {made}; look at the date again"
        yield problem(row["measured_on"], table, message)
    if measured is not None and checked is not None and checked < measured:
        message = f"{checked} is before the readings were taken ({measured})"
        yield problem(row["checked_on"], table, message)


def read_label(
    row: Cells, table: TableFile, place: Place, readings: Sequence[Decimal]
) -> str | None:
    """Read the label that was read from the rod.

    Returns:
        The label as read, right or wrong; None where it was not read.

    Raises:
        InputError: It is a reading instead, no label and no word for one that cannot be read, or
            it lacks the side mark of a mirror part.
    """
    cell = cell_of(row, "label_read")
    if cell is None:
        return None
    rod, parts = place.expected, label_parts(cell.text)
    if len(cell.text) > LABEL_CHARACTERS or not cell.text.isprintable():
        message = f'"{shown(cell.text)}" is not a label; write what stands on the rod'
        raise problem(cell, table, message)
    if parts is None and any(sign.isdigit() for sign in cell.text):
        raise problem(
            cell, table, f'"{shown(cell.text)}" is not a label such as {rod.engraved}; where the '
            "spreadsheet took it for a date, format the column as text; write what stands on the "
            "rod, or ? where it cannot be read",
        )  # fmt: skip
    if parts is not None and parts[0] in readings and parts[0] != rod.length_mm:
        message = f"{cell.text} is a reading of this rod; write the label that stands on it"
        raise problem(cell, table, message)
    if rod.mark and parts is not None and parts == (rod.length_mm, ""):
        message = f"{cell.text} has no side mark; these rods bear L or R: write it, too"
        raise problem(cell, table, message)
    return cell.text


def may_text(row: Cells, table: TableFile, name: str) -> str:
    """Read free text, which may be empty.

    Raises:
        InputError: It is too long, or has characters that cannot be printed.
    """
    cell = cell_of(row, name)
    if cell is None:
        return ""
    text = " ".join(cell.text.split())
    if len(text) > _REMARK_CHARACTERS or not text.isprintable():
        message = f"is not printable text of at most {_REMARK_CHARACTERS} characters"
        raise problem(cell, table, message)
    return text


def cell_of(row: Cells, name: str) -> Cell | None:
    """Give a cell that is there and not empty; None otherwise."""
    cell = row.get(name)
    return cell if cell is not None and cell.text else None


def form_number(text: str) -> Decimal | None:
    """Read a number of the form itself, however the spreadsheet wrote its decimal sign."""
    try:
        value = Decimal(text.replace("\u2212", "-").replace(",", "."))
    except InvalidOperation:
        return None
    return value if value.is_finite() else None
