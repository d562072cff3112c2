"""`labkit instruments`: what rods are measured with, and how well."""

from __future__ import annotations

import click
import rich_click

from labkit.catalog.instruments import instruments
from labkit.cli.common import INSTRUMENTS
from labkit.cli.listing import print_named, report_about
from labkit.core.gauging.instruments import Instrument
from labkit.core.report import Report
from labkit.units import plain


@click.command("instruments", cls=rich_click.RichCommand)
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one an instrument.")
@INSTRUMENTS
def command(names: tuple[str, ...], as_json: bool, instrument_places: tuple[str, ...]) -> None:
    """List measuring instruments: resolution, calibration, repeatability, what they serve.

    Copy a file of templates/instruments/ to describe the lab's own. The ones that come with the
    program are invented examples.

    Example: labkit instruments example-calliper
    """
    print_named("instrument", instruments(instrument_places), names, _report, as_json)


def _report(instrument: Instrument) -> Report:
    return report_about("Instrument", instrument, [f"{instrument.evidence}."], _facts(instrument))


def _facts(instrument: Instrument) -> list[tuple[str, str]]:
    due = instrument.calibration_due
    return [
        ("kind", str(instrument.kind)),
        ("measures", ", ".join(instrument.methods)),
        ("resolution", f"{plain(instrument.resolution_mm)} mm"),
        (
            "calibration",
            f"{plain(instrument.calibration_mm)} mm standard uncertainty"
            f"{_degrees(instrument.calibration_dof)}",
        ),
        ("due", due.isoformat() if due else "not said"),
        (
            "repeatability",
            f"{plain(instrument.repeatability_mm)} mm standard deviation of one reading"
            f"{_degrees(instrument.repeatability_dof)}",
        ),
        (
            "temperature",
            f"room 20 ± {plain(instrument.temperature_c)} °C, rod and instrument within "
            f"{plain(instrument.difference_c)} °C, scale {plain(instrument.expansion_per_c * 1e6)} "
            "µm a metre and °C",
        ),
        (
            "thermometer",
            "none told: lengths are not corrected to 20 °C" if instrument.thermometer_c is None
            else f"{plain(instrument.thermometer_c)} °C standard uncertainty",
        ),
    ]


def _degrees(dof: float | None) -> str:
    return "" if dof is None else f", {plain(dof)} degrees of freedom"
