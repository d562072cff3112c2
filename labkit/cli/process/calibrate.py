"""`labkit calibrate`: from measured coupons to a calibrated process file."""

from __future__ import annotations

import contextlib
import datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli.common import (
    BY,
    INSTRUMENTS,
    PROCESSES,
    PROFILE,
    TEMPLATES,
    counting,
    instrument_option,
    say,
)
from labkit.cli.print_report import print_report
from labkit.cli.process.options import REPORT, written
from labkit.cli.process.table_bytes import bytes_of_table
from labkit.core.form.numbers import exact_number
from labkit.errors import InputError, RefusedError

if TYPE_CHECKING:
    from labkit.core.report import Report
    from labkit.core.rod.rods import Process
    from labkit.qa.process.coupons import ToLength
    from labkit.workflow.process.calibrate import Asked, Calibrated


@click.command("calibrate", cls=rich_click.RichCommand)
@click.argument("coupons", type=click.Path(path_type=Path), metavar="COUPONS.csv")
@click.option("--process", "process_name", required=True, metavar="NAME",
              help="Process that the coupons were built with, compensation included.")
@click.option("--name", required=True, metavar="NEW-NAME", help="Name of the calibrated process.")
@click.option("--date", "day", required=True, metavar="YYYY-MM-DD", help="Day of the calibration.")
@BY
@click.option("--out", "out_path", required=True, metavar="FILE.toml",
              type=click.Path(path_type=Path, dir_okay=False), help="Process file to write.")
@REPORT
@click.option("--way", metavar="WAY",
              help="How the column `reading` was measured: centres, half-sum, over-less-own, over "
              "or between; with --template. Without it the column `measured` holds lengths.")
@click.option("--template", "template_name", metavar="NAME",
              help="Rod template of the coupons, with --way.")
@click.option("--tolerance", metavar="MM",
              help="Tolerance of the rods' length, ±; without it, ISO 2768-1 class f.")
@click.option("--keep", multiple=True, metavar="COUPON",
              help="A coupon far from the others that was found to be right; repeatable.")
@click.option("--leave-out", multiple=True, metavar="COUPON",
              help="A coupon that does not count; repeatable, with --reason.")
@click.option("--reason", default="", metavar="TEXT", help="Why coupons are left out or kept.")
@instrument_option("What the coupons were measured with", "the process's usual gauge")
@INSTRUMENTS
@PROCESSES
@TEMPLATES
@PROFILE
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(coupons: Path, as_json: bool, **asked: Any) -> None:
    """Calibrate a process: from rods built and measured to scale and offsets.

    COUPONS.csv has a line for each coupon with the columns nominal and measured (functional length,
    mm) and, if you have them, coupon, machine, lot, bore_nominal and bore, pin_nominal and pin,
    ball_nominal and ball. Lines that name one coupon are readings of it and count once. At least 6
    coupons of 3 lengths that span 10 mm; several at each length, best 4 lengths from your shortest
    to your longest rod.

    Writes a process file with its evidence, and refuses what would not be reliable. Make rods with
    it: labkit make RX --processes FILE.toml --process NEW-NAME

    Example: labkit calibrate coupons.csv --process example-resin --name resin-may --date 2031-05-02
    --by anna --out resin-may.toml
    """
    from labkit.documents.calibration_report import calibration_report
    from labkit.workflow.process.calibrate import CouponFile, calibrate

    base = _base(asked)
    _require_places(asked["out_path"], asked["report_dir"])
    file = CouponFile(bytes_of_table(coupons), _name_of(coupons), _to_length(asked))
    found = calibrate(file, base, _asked(asked, base))
    report = calibration_report(
        found.process, found.base, found.lengths, found.findings, found.standing_out,
        [coupon.name for coupon in found.left_out],
    )
    files, place = list(map(str, _write(found, report, asked))), str(asked["out_path"])
    print_report(
        report, as_json, {"file": place, "report": files, "findings": found.findings}
    )
    if as_json:
        return
    lines = (
        *(f"Report: {path}" for path in files),
        f"Process file: {place}",
        f"Make rods with it: `labkit make RX --processes {place} --process {found.process.name}`",
    )
    for line in lines:
        say(line)


def _require_places(out_path: Path, report_dir: Path | None) -> None:
    """Refuse places that are taken, before any work is done for them."""
    from labkit.documents.process_report import refuse_taken
    from labkit.workflow.process.file import require_free

    require_free(out_path)
    if report_dir is None:
        return
    if report_dir.absolute() == out_path.absolute():
        raise InputError(
            f"--out and --report both name {out_path}; the process file needs a place beside the "
            "report's folder", field="out",
        )
    refuse_taken(report_dir)


def _name_of(coupons: Path) -> str:
    """Give the file's name as the process file keeps it."""
    name = coupons.name.strip()
    if not name.isprintable():
        raise InputError(
            f"the file name {name!r} cannot be kept with the process: it has characters that do "
            "not print; give the file another name", field="coupons",
        )
    return name


def _write(found: Calibrated, report: Report, asked: dict[str, Any]) -> list[Path]:
    """Write report and process file: both, or neither.

    The process file comes last, since it is what rods are made with.
    """
    from labkit.workflow.process.file import write_process

    with counting("Report"):
        files = written(report, asked)
    try:
        write_process(found.process, asked["out_path"])
    except BaseException:  # also where it is interrupted
        for path in files:
            path.unlink(missing_ok=True)
        if files:
            with contextlib.suppress(OSError):
                asked["report_dir"].rmdir()
        raise
    return files


def _base(asked: dict[str, Any]) -> Process:
    import re

    from labkit.catalog.processes import find_process, processes
    from labkit.core.form.keys import NAME, NAME_WORDS
    from labkit.ledger.events import checked_operator

    checked_operator(asked["by"])
    known = processes(asked["process_places"])
    name = asked["name"]
    if not re.fullmatch(NAME, name):
        raise InputError(f"--name {name!r} is not usable; allowed is {NAME_WORDS}", field="name")
    if name in known:
        raise InputError(
            f"--name {name!r}: there is a process of that name already; a calibration makes a new "
            "one, so that earlier rods still name what they were made with", field="name",
        )
    return find_process(known, asked["process_name"])


def _asked(asked: dict[str, Any], base: Process) -> Asked:
    from labkit.catalog.instruments import find_instrument, instruments
    from labkit.core.gauging.ways_of_measuring import Method
    from labkit.core.rod.calibration import USUAL_GAUGE
    from labkit.workflow.process.calibrate import Asked

    words, u_mm = USUAL_GAUGE, base.gauge_uncertainty_mm
    day = _day(asked["day"])
    if asked["instrument_name"]:
        known = instruments(asked["instrument_places"])
        instrument = find_instrument(known, asked["instrument_name"])
        if instrument.overdue(day):
            raise RefusedError(
                f"the calibration of {instrument.name} was due on {instrument.calibration_due}, "
                f"before {day}; a process is not calibrated with a gauge that is not",
                field="instrument", value=instrument.name,
            )
        if asked["way"] and not instrument.serves(Method(asked["way"])):
            raise RefusedError(
                f"{instrument.name} does not measure {asked['way']!r}; it serves "
                f"{', '.join(instrument.methods)}: name the instrument that the readings are of",
                field="instrument", value=instrument.name,
            )
        words, u_mm = f"{instrument.title} ({instrument.name})", instrument.calibration_mm
    return Asked(
        name=asked["name"], date=day, by=asked["by"], instrument=words, gauge_u_mm=u_mm,
        tolerance_mm=_tolerance(asked["tolerance"]), keep=asked["keep"],
        leave_out=asked["leave_out"], reason=_reason(asked["reason"]),
    )


def _day(text: str) -> datetime.date:
    with contextlib.suppress(ValueError):
        day = datetime.date.fromisoformat(text)
        if day.isoformat() == text:  # 20310502 and 2031-W18-5 are dates to Python only
            return day
    raise InputError(f"--date {text!r} is not a date; write it like 2031-05-02", field="date")


def _tolerance(text: str | None) -> Decimal | None:
    if text is None:
        return None
    with contextlib.suppress(InputError):
        value = exact_number(text)
        if Decimal("0.01") <= value <= 2:
            return value
    raise InputError(
        f"--tolerance {text!r} is not usable; allowed is a number of mm from 0.01 to 2",
        field="tolerance",
    )


def _reason(text: str) -> str:
    if text != text.strip() or not text.isprintable() or len(text) > 200:
        raise InputError(
            "--reason is not usable; allowed is printable text of at most 200 characters without "
            "spaces at its ends", field="reason",
        )
    return text


def _to_length(asked: dict[str, Any]) -> ToLength | None:
    from labkit.catalog.named import find
    from labkit.catalog.rods import rod_templates
    from labkit.core.gauging.ways_of_measuring import ways_of
    from labkit.qa.process.coupon_way import to_length

    if not asked["way"] and not asked["template_name"]:
        return None
    if not (asked["way"] and asked["template_name"]):
        raise InputError("--way and --template go together: a reading is turned into a length")
    template = find("template", rod_templates(asked["template_places"]), asked["template_name"])
    ways = {str(way.method): way for way in ways_of(template)}
    if asked["way"] not in ways:
        raise InputError(
            f"--way {asked['way']!r} is no way to measure {template.name}; allowed is one of "
            f"{', '.join(ways)}", field="way",
        )
    return to_length(ways[asked["way"]], template)
