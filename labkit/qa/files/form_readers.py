"""Cells of the inspection form that the rest of their row decides about."""

from __future__ import annotations

import dataclasses
import datetime
import re
from collections.abc import Iterator

from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.errors import InputError, InputErrors
from labkit.qa.decision.readings import LOOK, label_parts
from labkit.qa.files.form_row import FormRow, form_number, taken_otherwise
from labkit.tables.cells import day, number, words
from labkit.tables.values import Cell, TableFile, shown

#: The lab's day and UTC's may be one apart.
_ZONE = datetime.timedelta(days=1)
#: A label with its side mark is shorter by far.
LABEL_CHARACTERS = 16
_REMARK_CHARACTERS = 500
#: Nobody measures in a colder or a warmer room, °C.
LEAST_C, MOST_C = 5, 45


def read_pins(row: FormRow) -> str | None:
    """Read which gauge pins were used: those that the conversion is for, or none.

    Returns:
        Their diameters as text, None for a way without pins.

    Raises:
        InputError: Other pins, none where the way needs them, or some where it takes none.
    """
    way, at = row.line.way, row.cells["way"]
    cell = row.cells.get("gauge_pins_mm") or Cell("", at.line, at.column, at.name)
    wanted = list(dict.fromkeys(way.gauge_pins_mm))
    pins = " and ".join(f"{pin} mm" for pin in wanted)
    if not cell.text:
        if not wanted:
            return None
        raise row.wrong(
            cell, f'gauge_pins_mm is not given; "{way.method}" is converted for gauge pins of '
            f"{pins}: state the pins that were used",
        )
    if not wanted:
        raise row.wrong(
            cell, f'"{shown(cell.text)}", but "{way.method}" takes no gauge pins; empty the cell, '
            "or name the way that was used",
        )
    if any(taken_otherwise(cell.text, pin) for pin in wanted):
        raise row.wrong(
            cell, f'"{shown(cell.text)}" is no diameter: the spreadsheet took it for something '
            "else; format the column as text and write the diameters of the pins used",
        )
    if {form_number(part) for part in cell.text.replace(";", " ").split()} != set(wanted):
        raise row.wrong(
            cell, f'"{shown(cell.text)}", but "{way.method}" is converted for gauge pins of '
            f"{pins}; measure with these, or in a way without pins",
        )
    return row.line.pins


def read_label(row: FormRow) -> str | None:
    """Read the label that was read from the rod.

    Returns:
        The label as read, right or wrong; None where it was not read.

    Raises:
        InputError: It is a reading instead, no label and no word for one that cannot be read, or
            it lacks the side mark of a mirror part.
    """
    cell = row.cell("label_read")
    if cell is None:
        return None
    rod, parts = row.line.place.expected, label_parts(cell.text)
    if cell.text.casefold() in ("ok", "yes"):
        raise row.wrong(
            cell, f'"{cell.text}" does not say which label; write what is engraved on the rod, or '
            "? if it cannot be read",
        )
    if len(cell.text) > LABEL_CHARACTERS or not cell.text.isprintable():
        raise row.wrong(
            cell, f'"{shown(cell.text)}" is not a label; write what is engraved on the rod'
        )
    if parts is None and any(sign.isdigit() for sign in cell.text):
        raise row.wrong(
            cell, f'"{shown(cell.text)}" is not a label such as {rod.engraved}; where the '
            "spreadsheet took it for a date, format the column as text; write what is on the "
            "rod, or ? where it cannot be read",
        )
    if parts is not None and parts[0] in row.readings and parts[0] != rod.length_mm:
        raise row.wrong(
            cell, f"{cell.text} is a reading of this rod; write the label that is engraved on it"
        )
    if rod.mark and parts is not None and parts == (rod.length_mm, ""):
        raise row.wrong(
            cell, f"{cell.text} has no side mark; these rods bear L or R: write it, too"
        )
    return cell.text


def read_look(row: FormRow) -> tuple[str, ...] | None:
    """Read what was seen on the rod, as told in the row or for all of them.

    Returns:
        What it is not; empty where it is right in everything, None where nobody looked.

    Raises:
        InputError: A word that is none of the points.
    """
    cell = row.cell("look")
    if cell is None:
        return row.sheet.look
    try:
        return look_of(cell.text, row.sheet.points)
    except InputError as error:
        raise row.wrong(cell, error.message) from error


def look_of(text: str, points: tuple[str, ...] = LOOK) -> tuple[str, ...]:
    """Read what was seen on a rod.

    Returns:
        What it is not; empty where it is right in everything.

    Raises:
        InputError: A word that is none of the points.

    >>> look_of("ok"), look_of("not smooth, clean")
    ((), ('smooth', 'clean'))
    """
    if text.strip().casefold() in ("ok", "yes", "y"):
        return ()
    words = re.split(r"[,;/+]| and ", text.casefold())
    told = tuple(word.strip().removeprefix("not ").strip() for word in words)
    for word in told:
        if word not in points:
            raise InputError(
                f'"{shown(text)}" is not one of {", ".join(points)}; write ok, or what the rod '
                'is not, such as "not smooth", and the rest into the remark',
                field="look", value=text, allowed=f"ok, {', '.join(points)}",
            )
    return told


def read_instrument(row: FormRow) -> Instrument | None:
    """Read what a rod was measured with.

    Returns:
        A known instrument; None for the process's usual gauge.

    Raises:
        InputError: An unknown or a contradicting one, or one that may not be used so or then.
    """
    cell, given, known = row.cell("instrument"), row.sheet.instrument, row.sheet.bench.instruments
    if cell and given and cell.text != given:
        raise row.wrong(
            cell, f'"{shown(cell.text)}" contradicts --instrument {given}; give one of the two'
        )
    name, place, way = cell.text if cell else given, cell or row.cells["way"], row.line.way
    if name is not None and name not in known:
        raise row.wrong(
            place, f'"{shown(name)}" is not a known instrument; known are '
            f"{', '.join(known) or 'none'}; name the file of the lab's own with --instruments, or "
            "empty the cell for the usual gauge of the process",
        )
    instrument = None if name is None else known[name]
    if instrument is not None and not instrument.serves(way.method):
        raise row.wrong(
            place, f'{instrument.name} does not measure "{way.method}" ({way.title}); it '
            f"serves {', '.join(instrument.methods)}",
        )
    due = _check_calibration(row, instrument, place)
    if instrument is not None and due is not None:  # reported by the form where the file does not
        instrument = dataclasses.replace(instrument, calibration_due=due)
    return instrument


def _check_calibration(
    row: FormRow, instrument: Instrument | None, place: Cell
) -> datetime.date | None:
    """Give when the calibration is due, by the instrument's file or the form."""
    own = instrument.calibration_due if instrument else None
    if cell := row.cell("calibration_due"):
        due = day(cell, row.table)
        if instrument is not None and own is not None and due != own:
            raise row.wrong(
                cell, f"{due}, but the file of {instrument.name} says {own}; correct one of the two"
            )
        place, own = cell, due
    if own is not None and own < row.on:
        what = instrument.name if instrument else "the instrument"
        raise row.wrong(
            place, f"the calibration of {what} was due on {own}, the readings are of {row.on}; "
            "calibrate it and measure again, or use another instrument",
        )
    return own


def read_set_of_pins(row: FormRow) -> GaugePins | None:
    """Read which set of gauge pins was used.

    Raises:
        InputError: An unknown one, one without the pins of the way, or out of calibration.
    """
    cell, sheet = row.cell("gauge_pins"), row.sheet
    name, place = cell.text if cell else sheet.pins_name, cell or row.cells["way"]
    if name is None:
        return None
    if name not in sheet.pins:
        raise row.wrong(
            place, f'"{shown(name)}" is not a known set of gauge pins; known are '
            f"{', '.join(sheet.pins) or 'none'}; name the file of the lab's own with --instruments",
        )
    pins = sheet.pins[name]
    if lacking := pins.lacks(row.line.way.gauge_pins_mm):
        sizes = " and ".join(f"{one} mm" for one in lacking)
        raise row.wrong(place, f"{pins.name} has no pin of {sizes}; name the set that was used")
    if pins.overdue(row.on):
        raise row.wrong(
            place, f"the calibration of {pins.name} was due on {pins.calibration_due}, the "
            f"readings are of {row.on}; calibrate it and measure again, or use another set",
        )
    return pins


def read_temperature(row: FormRow) -> float | None:
    """Read the temperature of the rods, as told in the row or for all of them."""
    cell = row.cell("temperature_c")
    return float(number(cell, row.table, LEAST_C, MOST_C)) if cell else row.sheet.temperature_c


def read_measured_on(row: FormRow) -> datetime.date:
    """Read the day of the readings, today where none is told.

    Raises:
        InputErrors: No day, one in the future, or before the set was made.
    """
    if cell := row.cell("measured_on"):
        on, made = day(cell, row.table), row.sheet.bench.made_on
        _stop([
            *_future(row, cell, on),
            *([row.wrong(cell, f"{on}, but the set was made on {made}; look at the date again")]
              if on < made - _ZONE else []),
        ])
    return row.on


def read_checked_on(row: FormRow) -> datetime.date | None:
    """Read the day of the check.

    Raises:
        InputErrors: No day, one in the future, or before the readings.
    """
    cell = row.cell("checked_on")
    if cell is None:
        return None
    on = day(cell, row.table)
    early = row.told_on is not None and on < row.told_on
    before = f"{on} is before the readings were taken ({row.told_on})"
    _stop([*_future(row, cell, on), *([row.wrong(cell, before)] if early else [])])
    return on


def _future(row: FormRow, cell: Cell, on: datetime.date) -> Iterator[InputError]:
    if on > row.sheet.today + _ZONE:
        yield row.wrong(cell, f"{on} lies in the future; today is {row.sheet.today}")


def _stop(errors: list[InputError]) -> None:
    if errors:
        raise InputErrors(tuple(errors))


def read_lot(row: FormRow) -> str | None:
    """Read the lot of the material, as told in the row or for all of them.

    Raises:
        InputError: The two contradict each other.
    """
    cell, given = row.cell("material_lot"), row.sheet.lot
    lot = words(cell, row.table) if cell else None
    if cell and lot and given and lot != given:
        raise row.wrong(cell, f'"{lot}" contradicts --lot {given}; give one of the two')
    return lot or given


def read_use_before(row: FormRow) -> datetime.date | None:
    """Read until when the lot may be used, as told in the row or for all of them.

    Raises:
        InputError: No day, another than for all of them, or the row names no lot.
    """
    cell, given = row.cell("use_before"), row.sheet.use_before
    if cell is None:
        return given
    on = day(cell, row.table)
    if given not in (None, on):
        raise row.wrong(cell, f"{on} contradicts --use-before {given}; give one of the two")
    if not (row.text("material_lot") or row.sheet.lot):
        raise row.wrong(cell, f"{on} is of no lot; name the lot in material_lot, or with --lot")
    return on


def read_remark(row: FormRow) -> str:
    """Read free text, which may be empty.

    Raises:
        InputError: It is too long, or has characters that cannot be printed.
    """
    cell = row.cell("remark")
    text = " ".join(cell.text.split()) if cell else ""
    if cell and (len(text) > _REMARK_CHARACTERS or not text.isprintable()):
        raise row.wrong(
            cell, f"is not printable text of at most {_REMARK_CHARACTERS} characters"
        )
    return text


def yes_or_no(cell: Cell, _: TableFile) -> bool:
    """Read an answer typed at the prompt.

    Raises:
        InputError: It is neither.
    """
    answer = {"y": True, "yes": True, "n": False, "no": False}.get(cell.text.casefold())
    if answer is None:
        raise InputError(f'"{cell.text}" is neither yes nor no', field=cell.name)
    return answer
