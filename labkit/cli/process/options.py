"""Which values of a process are meant: options that `capability` and `chart` share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labkit.cli.common import LEDGER, PROFILE, say
from labkit.cli.numbers import DAY, Real
from labkit.cli.print_report import print_report
from labkit.cli.sent_bytes import bytes_of_table
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.core.report import Report
    from labkit.qa.process.sample import Sample

#: Options that choose rods of the record, and those that belong to a table.
_OF_RECORD = (
    "process", "machine", "material", "lot", "template", "side", "case", "shortest_mm",
    "longest_mm", "since", "until",
)
_OF_TABLE = ("lower", "upper", "target", "column", "decimal")

REPORT = click.option(
    "--report", "report_dir", type=click.Path(path_type=Path), metavar="DIR",
    help="New folder for a report: PDF, and each chart as SVG and PNG.",
)
_OPTIONS = (
    click.option("--process", metavar="NAME", help="Rods made with this process."),
    click.option("--machine", metavar="NAME", help="Rods made on this machine."),
    click.option("--material", metavar="NAME", help="Rods of this material."),
    click.option("--lot", metavar="LOT", help="Rods of this lot of material."),
    click.option("--template", metavar="NAME", help="Rods of this rod template."),
    click.option("--side", type=click.Choice(["left", "right"]), help="Rods of one side."),
    click.option("--case", metavar="CASE", help="Rods of one case."),
    click.option("--shortest", "shortest_mm", type=Real(), metavar="MM", help="No shorter rods."),
    click.option("--longest", "longest_mm", type=Real(), metavar="MM", help="No longer rods."),
    click.option("--since", type=DAY, metavar="DAY", help="Measured on that day or later."),
    click.option("--until", type=DAY, metavar="DAY", help="Measured on that day or earlier."),
    click.option(
        "--file", "table", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
        help="A CSV table of values instead of the record; its first line names the columns.",
    ),
    click.option("--column", metavar="NAME", help="Column of the values in FILE; default: value."),
    click.option(
        "--decimal", type=click.Choice(["point", "comma"]),
        help="Decimal sign of FILE, where 30,012 could be thirty or thirty thousand.",
    ),
    click.option("--lower", type=Real(), metavar="NUMBER", help="Lower limit of FILE's values."),
    click.option("--upper", type=Real(), metavar="NUMBER", help="Upper limit of FILE's values."),
    click.option("--target", type=Real(), metavar="NUMBER", help="What FILE's values aim at."),
    click.option(
        "--subgroup", metavar="NAME",
        help="Take the spread within from groups made under the same conditions, not from "
        "neighbours: a column of FILE; in the record `set` or `lot`. A chart only compares the "
        "groups.",
    ),
    click.option(
        "--all-rules", is_flag=True,
        help="Look with all eight run rules instead of five; false alarms get more frequent.",
    ),
    REPORT,
    PROFILE,
    LEDGER,
    click.option("--json", "as_json", is_flag=True, help="One JSON object instead of tables."),
)


def process_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options; they arrive as keywords."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def sample_asked(given: Mapping[str, Any]) -> Sample:
    """Read the sample that the options choose, from a table or from the record.

    Raises:
        InputError: Options contradict each other, or something named is not there.
        RefusedError: No rod fits.
    """
    if given["table"] is not None:
        _refuse(given, _OF_RECORD, "chooses rods of the record and says nothing about --file")
        return _of_table(given)
    _refuse(given, _OF_TABLE, "is for a --file; rods have the tolerance they were made to")
    return _of_record(given)


def _refuse(given: Mapping[str, Any], names: Iterable[str], why: str) -> None:
    for name in names:
        if given[name] is not None:
            option = name.removesuffix("_mm")
            raise InputError(f"--{option} {why}; leave it out", field=name, value=given[name])


def _of_table(given: Mapping[str, Any]) -> Sample:
    from labkit.qa.files.process_table import Columns, sample_of_table
    from labkit.qa.process.capability import Limits

    path: Path = given["table"]
    ends = (given["lower"], given["upper"], given["target"])
    limits = Limits(*ends) if any(end is not None for end in ends) else None
    columns = Columns(given["column"] or "value", given["subgroup"], given["decimal"])
    return sample_of_table(bytes_of_table(path), path.name, limits, columns)


def _of_record(given: Mapping[str, Any]) -> Sample:
    from labkit.ledger.store import look_into
    from labkit.workflow.process.data import Selection
    from labkit.workflow.process.looks import record_sample

    fields = {name: given[name] for name in _OF_RECORD}
    with look_into(given["ledger_url"]) as ledger:
        return record_sample(ledger, Selection(**fields), given["subgroup"])


def check_report_place(given: Mapping[str, Any]) -> None:
    """Refuse a folder that is taken before anything is worked out."""
    if given["report_dir"] is not None:
        from labkit.documents.process_report import refuse_taken

        refuse_taken(given["report_dir"])


def put_out(report: Report, given: Mapping[str, Any], *, listed: bool = False) -> None:
    """Write the report's paper if a folder was named, print the report and where its paper is.

    Args:
        listed: Whether programs are told which files were written.
    """
    files = written(report, given)
    print_report(report, given["as_json"], {"report": list(map(str, files))} if listed else {})
    if files and not given["as_json"]:
        say(f"Report: {files[0]}")


def written(report: Report, given: Mapping[str, Any]) -> list[Path]:
    """Write the report's paper and pictures if a folder for them was named; the PDF comes first."""
    if given["report_dir"] is None:
        return []
    from labkit.cli.sets.profile import open_profile
    from labkit.documents.process_report import write_report

    return write_report(report, given["report_dir"], open_profile(given["profile_path"]))
