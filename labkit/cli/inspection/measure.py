"""`labkit measure`: the functional length, fittings and label of a rod from its scan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.instruments import find_instrument, instruments
from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import find_template, rod_templates
from labkit.cli import clock
from labkit.cli.common import (
    AGAIN,
    INSTRUMENTS,
    LEDGER,
    PROFILE,
    TEMPERATURE,
    TEMPLATES,
    Run,
    instrument_option,
    operator_option,
)
from labkit.cli.numbers import Real
from labkit.cli.print_report import print_report
from labkit.cli.record.recording import said
from labkit.cli.sets.profile import named_profile
from labkit.core.rod.rods import RodTemplate
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.core.gauging.instruments import Instrument


@click.command("measure", cls=rich_click.RichCommand)
@click.argument("files", metavar="SCAN...", nargs=-1, required=True)
@click.option(
    "--template", "template_name", metavar="NAME",
    help="The rod's template; without it, every template is tried and the one that fits is named.",
)
@TEMPLATES
@instrument_option(
    "The scanner",
    "the uncertainty is that of the scan's points alone and, with --rod, of the usual gauge of "
    "the set's process",
)
@INSTRUMENTS
@click.option(
    "--rod", "identifier", metavar="IDENTIFIER",
    help="The recorded rod that the scan shows: its template, label and tolerance are held against "
    "the scan.",
)
@TEMPERATURE
@AGAIN
@click.option(
    "--most-uncertainty", "most_u_mm", metavar="MM", type=Real("0.001", "0.02"),
    default=0.004, show_default=True,
    help="Largest standard uncertainty of the length by the scan alone; more is refused.",
)
@PROFILE
@operator_option("measures; with it and --rod, the reading is recorded.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one for each scan.")
def command(files: tuple[str, ...], as_json: bool, **given: Any) -> None:
    """Measure printed rods from their scans, in any position.

    SCAN is a mesh in millimetres, as STL, PLY, OBJ or 3MF; it may have holes, flipped facets,
    support stubs, a piece of the table. Reports length with uncertainty, both fittings, the label
    and the shape, or the reason one could not be measured.

    Example: labkit measure scan.stl --rod "4829 482 917 3065" --instrument example-scanner
    """
    from labkit.workflow.inspection.measure import measure_file, require_one_rod
    from labkit.workflow.inspection.measure_report import scan_report

    # LABKIT_BY may name an operator while nothing is to be recorded.
    typed = click.get_current_context().get_parameter_source("by")
    by = given["by"] if given["identifier"] or typed is _COMMANDLINE else None
    require_one_rod(len(files), given["identifier"], by)
    _require_of_rod(given)
    known = instruments(given["instrument_places"])
    name = given["instrument_name"]
    instrument = find_instrument(known, name) if name else None
    if given["identifier"] is not None:
        _one_of_the_record(Path(files[0]), {**given, "by": by}, instrument, as_json)
        return
    templates = _templates(given)
    lettering = load_lettering()
    run = Run()
    for file in files:
        with run.reporting(file):
            scanned = measure_file(
                Path(file), templates, lettering, instrument, most_u_mm=given["most_u_mm"]
            )
            run.done += 1
            print_report(scan_report(scanned), as_json)
    run.finish(cautions=False)


def _require_of_rod(given: Mapping[str, Any]) -> None:
    """Refuse options that would be passed over in silence."""
    for field, option in (("again", "--again"), ("temperature_c", "--temperature")):
        if given["identifier"] is None and given[field] is not None:
            raise InputError(
                f"{option} is about a recorded rod, and no rod is named; name it with --rod, or "
                f"leave {option} out", field=field,
            )
    if given["identifier"] is not None and given["template_name"] is not None:
        raise InputError(
            "--template does not go with --rod, whose template is that of the record; leave "
            "--template out", field="template",
        )


_COMMANDLINE = click.core.ParameterSource.COMMANDLINE


def _templates(given: Mapping[str, Any]) -> Mapping[str, RodTemplate]:
    known = rod_templates(given["template_places"])
    if given["template_name"] is None:
        return known
    template = find_template(known, given["template_name"])
    return {template.name: template}


def _one_of_the_record(
    path: Path, given: Mapping[str, Any], instrument: Instrument | None, as_json: bool
) -> None:
    from labkit.ledger.events import checked_operator
    from labkit.ledger.store import Ledger, to_record
    from labkit.workflow.inspection.inspect import record_readings
    from labkit.workflow.inspection.measure import judged, measure_file, rod_on_record
    from labkit.workflow.inspection.measure_report import scan_report

    if given["by"] is not None:
        checked_operator(given["by"])
    known = instruments(given["instrument_places"])
    with to_record(given["ledger_url"], given["by"]) as ledger:
        record = rod_on_record(ledger, given["identifier"], known)
        templates = {record.template.name: record.template}
        scanned = measure_file(
            path, templates, load_lettering(), instrument, record.place, given["most_u_mm"]
        )
        rod = judged(record, scanned, instrument, clock.today(), given["temperature_c"])
        event = None
        if isinstance(ledger, Ledger):
            stamp = (given["by"], clock.now())
            event = record_readings(
                ledger, record.inspection, [rod], stamp, given["again"],
                named_profile(given["profile_path"]),
            )[0]
    print_report(scan_report(scanned, rod), as_json, {"event": event})
    if not as_json:
        said(
            f"Recorded by {given['by']} as entry {event}" if event is not None else
            "Nothing was recorded; give an operator code with --by to record the reading"
        )
