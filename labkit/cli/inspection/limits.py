"""`labkit limits`: what the readings of a set must be, before anyone measures."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.instruments import find_instrument, find_pins, gauge_pins, instruments
from labkit.cli import clock
from labkit.cli.common import (
    INSTRUMENT,
    INSTRUMENTS,
    LEDGER,
    PINS,
    SET,
    Run,
    way_option,
)
from labkit.cli.print_report import print_report
from labkit.core.findings import refusals
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.workflow.inspection.limits import SetToMeasure


@click.command("limits", cls=rich_click.RichCommand)
@click.argument("case")
@SET
@INSTRUMENT
@PINS
@way_option(
    "What is measured: over, between, half-sum, over-less-own, centres or ends; without it, "
    "the first way that decides on every rod."
)
@click.option(
    "--readings",
    type=click.IntRange(1, 30),
    default=3,
    show_default=True,
    metavar="N",
    help="How many readings of each rod the mean is taken of.",
)
@INSTRUMENTS
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, set_name: str | None, ledger_url: str | None, as_json: bool, **gauge: Any
) -> None:
    """Show which lengths and readings of a set's rods conform, before you measure.

    CASE is a case number of the record, or the folder of a set. Warns if the gauge is too coarse
    for a tolerance and lists suitable instruments.

    Example: labkit limits QF-1043 --instrument example-micrometer
    """
    from labkit.workflow.inspection.limits import measured_with, set_limits
    from labkit.workflow.inspection.limits_report import limits_report

    known = instruments(gauge["instrument_places"])
    name = gauge["instrument_name"]
    of = _set_of(case, set_name, ledger_url)
    if pins := gauge["pins_name"]:
        of = measured_with(of, find_pins(gauge_pins(gauge["instrument_places"]), pins))
    limits = set_limits(
        of,
        find_instrument(known, name) if name else None,
        gauge["method"],
        known.values(),
        clock.today(),
        gauge["readings"],
    )
    print_report(limits_report(limits), as_json)
    run = Run()
    run.refuse("", refusals(limits.findings))
    run.finish(cautions=False)


def _set_of(case: str, set_name: str | None, ledger_url: str | None) -> SetToMeasure:
    from labkit.workflow.inspection.limits import SPEC_FILE, recorded_set, set_in_folder

    path, exists = Path(case), os.path.exists  # a Path's own raises where a name is too long
    # A case number may bear a stroke or a folder's name: what is no set goes by the ledger, but for
    # a path of several parts that is there.
    if os.path.isfile(path) or exists(path / SPEC_FILE) or (len(path.parts) > 1 and exists(path)):
        if set_name is not None:
            raise InputError("--set goes with a case number, not with a folder", field="set")
        return set_in_folder(path)
    from labkit.ledger.store import look_into

    with look_into(ledger_url) as ledger:
        return recorded_set(ledger, case, set_name)
