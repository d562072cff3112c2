"""`labkit lengths`: graded lengths of one or more prescriptions."""

from __future__ import annotations

import click
import rich_click

from labkit.catalog.rods import rod_templates
from labkit.cli.common import JSON, RX, TEMPLATES, Run
from labkit.cli.print_report import print_report
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.lengths_report import lengths_report


@click.command("lengths", cls=rich_click.RichCommand)
@RX
@JSON
@TEMPLATES
@click.option(
    "--opening",
    "openings",
    multiple=True,
    type=click.FloatRange(0, 30),
    metavar="MM",
    help="Hinged model: also show the advancement when the incisal point drops by MM; repeatable.",
)
def command(
    prescriptions: tuple[str, ...],
    as_json: bool,
    template_places: tuple[str, ...],
    openings: tuple[float, ...],
) -> None:
    """Show the graded lengths of a spacer set, left and right; nothing is written.

    RX is a prescription file (TOML), or - for standard input.

    Example: labkit lengths QF-1043.toml --json
    """
    run, templates = Run(), rod_templates(template_places)
    for source in run.each(prescriptions):
        with run.reporting(source.name):
            case = open_case(source, templates)
            print_report(lengths_report(case, openings), as_json)
            run.refuse(source.name, case.refusals)
            run.done += 1
    run.finish(cautions=not as_json)
