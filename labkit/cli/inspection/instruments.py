"""`labkit instruments`: what rods are measured with, how well, and what is due."""

from __future__ import annotations

from collections.abc import Mapping

import click
import rich_click

from labkit.catalog.instruments import gauge_pins, instruments
from labkit.cli import clock
from labkit.cli.common import INSTRUMENTS
from labkit.cli.listing import print_named
from labkit.documents.instrument_report import Tool, instrument_report


@click.command("instruments", cls=rich_click.RichCommand)
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one per instrument.")
@INSTRUMENTS
def command(names: tuple[str, ...], as_json: bool, instrument_places: tuple[str, ...]) -> None:
    """List instruments and gauge pins: their errors, what they measure, when they are due.

    Copy a file of templates/instruments/ to describe your own. The ones that come with the program
    are invented examples, and no set is released on their readings.

    Example: labkit instruments example-calliper
    """
    known: Mapping[str, Tool] = {**instruments(instrument_places), **gauge_pins(instrument_places)}
    today = clock.today()
    print_named(
        "instrument", known, names, lambda tool: instrument_report(tool, today), as_json
    )
