"""`labkit processes`: how rods can be made here, and what that rests on."""

from __future__ import annotations

import click
import rich_click

from labkit.catalog.processes import processes
from labkit.cli.common import PROCESSES
from labkit.cli.listing import print_named
from labkit.core.report import Report
from labkit.core.rod.building import Carrying
from labkit.core.rod.rods import Process
from labkit.documents.figures import as_given
from labkit.documents.listing import report_about
from labkit.units import plain

_CARRYING = {
    Carrying.CARRIED: "carried by the powder",
    Carrying.WHERE_NEEDED: "on supports where needed",
    Carrying.NONE: "no supports are built",
}


@click.command("processes", cls=rich_click.RichCommand)
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one per process.")
@PROCESSES
def command(names: tuple[str, ...], as_json: bool, process_places: tuple[str, ...]) -> None:
    """List processes: machine, material, compensation, and when they were calibrated.

    Copy a file of templates/processes/ to describe your own; `labkit calibrate` writes one from
    measured coupons. The ones that come with the program are invented examples.

    Example: labkit processes example-resin
    """
    print_named("process", processes(process_places), names, _report, as_json)


def _report(process: Process) -> Report:
    return report_about("Process", process, [f"{process.evidence}."], _facts(process))


def _facts(process: Process) -> list[tuple[str, str]]:
    own, adds = process.calibration, process.compensation
    calibrated = "no"
    if own is not None:
        calibrated = (
            f"{own.date}, from {plain(own.shortest_mm)} to {plain(own.longest_mm)} mm, "
            f"{own.coupons} coupons, by {own.by}"
        )
    return [
        ("machine", process.machine),
        ("material", process.material),
        ("length", f"× {plain(adds.length_scale)}, {_signed(adds.length_offset_mm)} mm"),
        (
            "diameters",
            f"bores {_signed(adds.bore_offset_mm)} mm, pins {_signed(adds.pin_offset_mm)} mm, "
            f"balls {_signed(adds.ball_offset_mm)} mm",
        ),
        ("rods lie", ", else ".join(process.build.lies)),
        ("undersides", _CARRYING[process.build.supports]),
        ("gauge", f"{plain(process.gauge_uncertainty_mm)} mm standard uncertainty"),
        ("calibrated", calibrated),
    ]


def _signed(value: float) -> str:
    return as_given(value, sign=True)
