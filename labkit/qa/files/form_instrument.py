"""The instrument that a row of the inspection form names: known, fit for the way, calibrated."""

from __future__ import annotations

import datetime

from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Way
from labkit.qa.decision.bench import Bench
from labkit.qa.files.form_cells import Cells, cell_of
from labkit.tables.file import Cell, TableFile, day, problem
from labkit.tables.values import shown


def read_instrument(
    row: Cells, table: TableFile, bench: Bench, use: tuple[str | None, Way, datetime.date]
) -> str | None:
    """Read what a rod was measured with.

    Args:
        use: Instrument named on the command line, way of measuring, day of the readings.

    Returns:
        Name of a known instrument; None for the process's usual gauge.

    Raises:
        InputError: An unknown or a contradicting one, or one that may not be used so or then.
    """
    given, way, on = use
    cell = cell_of(row, "instrument")
    if cell and given and cell.text != given:
        message = f'"{shown(cell.text)}" contradicts --instrument {given}; give one of the two'
        raise problem(cell, table, message)
    name = cell.text if cell else given
    place = cell or row["way"]
    if name is not None and name not in bench.instruments:
        known = ", ".join(bench.instruments) or "none"
        raise problem(
            place, table, f'"{shown(name)}" is not a known instrument; known are {known}; name '
            "the file of the lab's own with --instruments, or empty the cell for the usual gauge "
            "of the process",
        )  # fmt: skip
    instrument = bench.instrument(name)
    if instrument is not None and not instrument.serves(way.method):
        served = ", ".join(instrument.methods)
        raise problem(
            place, table, f'{instrument.name} does not measure "{way.method}" ({way.title}); it '
            f"serves {served}",
        )  # fmt: skip
    _check_calibration(row, table, instrument, (place, on))
    return name


def _check_calibration(
    row: Cells, table: TableFile, instrument: Instrument | None, use: tuple[Cell, datetime.date]
) -> None:
    place, on = use
    own = instrument.calibration_due if instrument else None
    if cell := cell_of(row, "calibration_due"):
        due = day(cell, table)
        if instrument is not None and own is not None and due != own:
            message = f"{due}, but the file of {instrument.name} says {own}; mend one of the two"
            raise problem(cell, table, message)
        place, own = cell, due
    if own is not None and own < on:
        what = instrument.name if instrument else "the instrument"
        raise problem(
            place, table, f"the calibration of {what} was due on {own}, the readings are of {on}; "
            "calibrate it and measure again, or use another instrument",
        )  # fmt: skip
