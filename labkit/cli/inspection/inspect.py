"""`labkit inspect`: readings of a set's rods, from a file or typed in, decided on and recorded."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.instruments import find_instrument, find_pins, gauge_pins, instruments
from labkit.cli import clock
from labkit.cli.common import (
    AGAIN,
    INSTRUMENT,
    INSTRUMENTS,
    LEDGER,
    PINS,
    PROFILE,
    SET,
    TEMPERATURE,
    USE_BEFORE,
    err,
    operator_option,
    out,
    require_lot,
    say,
    way_option,
)
from labkit.cli.print_report import print_report, show_report
from labkit.cli.record.recording import said
from labkit.cli.sent_bytes import bytes_of, named, require_input
from labkit.cli.sets.profile import named_profile
from labkit.core.people import require_known
from labkit.errors import EXIT_REFUSED, InputError

if TYPE_CHECKING:
    from labkit.core.gauging.gauge_pins import GaugePins
    from labkit.core.gauging.ways_of_measuring import Way
    from labkit.ledger.queries import Reader
    from labkit.qa.decision.rod_decision import Inspected
    from labkit.workflow.inspection.inspect import Inspection

_NAME_WHO = "; give an operator code with --by to record the readings"


@click.command("inspect", cls=rich_click.RichCommand)
@click.argument("case")
@click.argument("file", required=False, metavar="[FILE.csv]")
@SET
@INSTRUMENT
@PINS
@INSTRUMENTS
@way_option(
    "What is typed in; default: the way the inspection form asks for."
)
@click.option("--lot", metavar="TEXT", help="Lot of the material, where the file names none.")
@USE_BEFORE
@TEMPERATURE
@click.option(
    "--look", metavar="WORDS",
    help="What was seen on the rods, if the file says nothing: ok if they are whole, "
    'smooth, straight and clean, else what they are not, such as "not smooth".',
)
@click.option(
    "--as-typed",
    is_flag=True,
    help="Accept readings that are far off or scatter, exactly as written.",
)
@AGAIN
@PROFILE
@operator_option("measures; with it, the readings are recorded.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(case: str, file: str | None, as_json: bool, **given: Any) -> None:
    """Take the readings of a set's rods, decide on each rod and on the set, and record them.

    FILE.csv is the set's inspection form, filled in, as any spreadsheet saves it; `-` is standard
    input. A part of the set is enough, and so is a part of each rod's inspection (length, label,
    fittings, look): what was recorded before counts too. Without a file it asks rod by rod. It asks
    about readings that look like slips, and records nothing until they are settled.

    Example: labkit inspect QF-1043 inspection-form.csv --by quinn
    """
    from labkit.ledger.store import Ledger, to_record
    from labkit.workflow.inspection.inspect import inspect, record_readings
    from labkit.workflow.inspection.inspect_report import ending, inspection_report
    from labkit.workflow.inspection.judged_set import own_profile
    from labkit.workflow.inspection.release import not_yet, sets_of
    from labkit.workflow.sets.on_disk import files_of

    _check(given, file)
    with to_record(given["ledger_url"], given["by"]) as ledger, _ending_cleanly():
        known = instruments(given["instrument_places"])
        before = inspect(ledger, case, given["set_name"], (), known)
        profile = named_profile(given["profile_path"]) or own_profile(before.stored)
        require_known(profile.people, given["by"])  # before anything is typed in
        if given["instrument_name"]:
            find_instrument(known, given["instrument_name"])
        rods = _typed(before, given) if file is None else _read(ledger, before, file, given)
        inspection = inspect(ledger, case, given["set_name"], rods, known)
        events: dict[str, int] = {}
        if isinstance(ledger, Ledger) and (file is not None or _agreed(inspection, rods, as_json)):
            seqs = record_readings(
                ledger, inspection, rods, (given["by"], clock.now()), given["again"], profile
            )
            events = dict(zip((rod.identifier for rod in rods), seqs, strict=True))
        waiting = not_yet(ledger, inspection, profile) if events else ()
        seen = [files_of(stored).told for stored in sets_of(ledger, before.stored, before.slots)]
    by = given["by"]
    if as_json or file is not None or not by:
        report = inspection_report(inspection, rods, events, by if events else None)
        print_report(report, as_json)
    for told in filter(None, seen):
        said(f"Note: {told}", to_stderr=True)
    if as_json:
        return
    nothing = f"Nothing was recorded{'' if by else _NAME_WHO}"
    for line in ending(inspection, events, by, waiting) if events else (nothing,):
        said(line)


def _check(given: dict[str, Any], file: str | None) -> None:
    from labkit.ledger.events import checked_operator

    if given["by"] is not None:
        checked_operator(given["by"])
    if given["method"] and file is not None:
        raise InputError("--way goes with typing in; a file states its way in each line")
    require_lot(given)


@contextmanager
def _ending_cleanly() -> Iterator[None]:
    """End a prompt that is broken off by saying that nothing was recorded."""
    try:
        yield
    except click.Abort:
        err().print()
        say("labkit: broken off; nothing was recorded", to_stderr=True)
        click.get_current_context().exit(EXIT_REFUSED)


def _read(
    ledger: Reader, before: Inspection, file: str, given: dict[str, Any]
) -> Sequence[Inspected]:
    """Read the filled-in form."""
    from labkit.qa.files.form_readers import look_of
    from labkit.qa.files.form_row import Sheet
    from labkit.qa.files.readings_file import read_inspection
    from labkit.tables.text import MOST_BYTES
    from labkit.workflow.inspection.inspect import where_is

    raw = bytes_of(file, MOST_BYTES, "name a readable CSV file")
    sheet = Sheet(
        bench=before.bench,
        today=clock.today(),
        where_is=lambda identifier: where_is(ledger, before, identifier),
        instrument=given["instrument_name"],
        lot=given["lot"],
        use_before=given["use_before"],
        temperature_c=given["temperature_c"],
        as_typed=given["as_typed"],
        pins=gauge_pins(given["instrument_places"]),
        pins_name=given["pins_name"],
        look=None if given["look"] is None else look_of(given["look"], before.points),
        points=before.points,
    )
    return read_inspection(raw, named(file), sheet)


def _typed(before: Inspection, given: dict[str, Any]) -> Sequence[Inspected]:
    """Ask for the readings rod by rod."""
    from labkit.cli.inspection.prompt import Asked, ask_rods
    from labkit.qa.files.form_readers import look_of
    from labkit.workflow.inspection.inspect import require_calibrated

    require_input()
    today: datetime.date = clock.today()
    name = given["instrument_name"]
    instrument = None if name is None else before.bench.instruments[name]
    if instrument is not None:
        require_calibrated(instrument, today)
    method = given["method"] or before.bench.first
    asked = Asked(
        before, method, instrument, _pins(before.bench.way(method), today, given), today,
        given["lot"], given["temperature_c"],
        look=None if given["look"] is None else look_of(given["look"], before.points),
        again=bool(given["again"]), use_before=given["use_before"],
    )
    before.bench.places[0].gauge(instrument).correction(asked.temperature_c)  # or refused now
    if not given["by"]:
        say("No operator code (--by): nothing will be recorded.", to_stderr=True)
    return ask_rods(asked)


def _pins(way: Way, today: datetime.date, given: dict[str, Any]) -> GaugePins | None:
    """Give the set of gauge pins that is named; it must serve and be in calibration."""
    from labkit.workflow.inspection.inspect import require_calibrated

    if given["pins_name"] is None:
        return None
    pins = find_pins(gauge_pins(given["instrument_places"]), given["pins_name"])
    require_calibrated(pins, today)
    pins.require_for(way)
    return pins


def _agreed(inspection: Inspection, rods: Sequence[Inspected], as_json: bool) -> bool:
    """Show what was typed and what it means, and ask before it is recorded."""
    from labkit.cli.inspection.prompt import agreed
    from labkit.workflow.inspection.inspect_report import inspection_report

    show_report(inspection_report(inspection, rods, {}, None), err() if as_json else out())
    return agreed(len(rods))
