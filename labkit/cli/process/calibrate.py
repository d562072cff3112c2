"""`labkit calibrate`: from measured coupons to a calibrated process file."""

from __future__ import annotations

import contextlib
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
from labkit.cli.sent_bytes import bytes_of_table
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.core.report import Report
    from labkit.workflow.process.calibrate import Calibrated


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
    coupons of 3 lengths that span 10 mm are needed; best are several at each of 4 lengths, from
    your shortest to your longest rod.

    Writes a process file with its evidence, and refuses what would not be reliable. Make rods with
    it: labkit make RX --processes FILE.toml --process NEW-NAME

    Example: labkit calibrate coupons.csv --process example-resin --name resin-may --date 2031-05-02
    --by anna --out resin-may.toml
    """
    from labkit.documents.calibration_report import calibration_report
    from labkit.workflow.process.calibrate import CouponFile, calibrate
    from labkit.workflow.process.calibration_asked import (
        base_asked,
        calibration_asked,
        to_length_asked,
    )

    base = base_asked(asked)
    _require_places(asked["out_path"], asked["report_dir"])
    file = CouponFile(bytes_of_table(coupons), _name_of(coupons), to_length_asked(asked))
    found = calibrate(file, base, calibration_asked(asked, base))
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
