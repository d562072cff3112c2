"""`labkit demo`: the whole job on two invented cases."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click
import rich_click

from labkit.catalog.places import templates_dir
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import parse_toml, read_text
from labkit.cli.common import Run
from labkit.cli.means import takes_means
from labkit.cli.print_report import print_report
from labkit.cli.process.notes import close_with, open_with
from labkit.cli.record.recording import may_record, not_recorded, said
from labkit.cli.sets.make import make_with_progress, print_parts
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means
from labkit.workflow.sets.lengths_report import lengths_report

if TYPE_CHECKING:
    from labkit.workflow.record.recorder import Recorder

#: The two cases of the demonstration, in templates/prescriptions/.
DEMO_CASES = ("demo-plain.toml", "demo-hinged.toml")
#: Stands where the lab's name does, on the head of every page.
_NOBODYS = "Invented demonstration case"


@click.command("demo", cls=rich_click.RichCommand)
@click.option(
    "--out",
    "out_dir",
    default=Path("labkit-demo"),
    show_default=True,
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the two sets.",
)
@takes_means
@may_record(default_ledger=False)
def command(out_dir: Path, means: Means, recorder: Recorder | None) -> None:
    """Make the sets of two invented cases, a plain one and a hinged one.

    Every page says that the case is invented. The sets are recorded only if both --by and --ledger
    are given, so that invented cases never get into your own record unasked.

    Example: labkit demo --out demo
    """
    run, templates = Run(), rod_templates()
    means = replace(means, profile=replace(means.profile, name=_NOBODYS, address=(), logo=None))
    open_with(means)
    for name in DEMO_CASES:
        with run.reporting():
            source = parse_toml(read_text(templates_dir() / "prescriptions" / name), name)
            case = open_case(source, templates)
            print_report(lengths_report(case))
            made = make_with_progress(case, means, out_dir, recorder)
            print_parts(case.prescription.case, made)
            run.done += 1
    if run.done:
        close_with(means, to_stderr=False)
        said(recorder or not_recorded("name who makes it with --by and a ledger with --ledger"))
    run.finish(cautions=True)
