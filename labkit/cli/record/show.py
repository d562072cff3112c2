"""`labkit show`: the whole story of a case in time order, and its rods as they are now."""

from __future__ import annotations

import click
import rich_click

from labkit.cli.common import LEDGER
from labkit.cli.print_report import print_report
from labkit.errors import InputError


@click.command("show", cls=rich_click.RichCommand)
@click.argument("case")
@click.option("--prescription", is_flag=True, help="Print only the text of the prescription.")
@click.option(
    "--revision",
    type=click.IntRange(1),
    metavar="N",
    help="With --prescription: which revision; without it, the last one.",
)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, prescription: bool, revision: int | None, ledger_url: str | None, as_json: bool
) -> None:
    """Show the story of a case: who did what and when, and what its rods mean today.

    Example: labkit show QF-1043
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.record.lookup import case_story, need_case
    from labkit.workflow.record.reports import story_report

    if revision is not None and not prescription:
        raise InputError("--revision goes with --prescription only", field="revision")
    with look_into(ledger_url) as ledger:
        if prescription:
            need_case(ledger, case)
            text = ledger.prescription(case, revision).text
        else:
            story = case_story(ledger, case)
    if prescription:
        # Bytes, so that line ends stay as they were recorded.
        click.echo(text.encode("utf-8"), nl=False)
    else:
        print_report(story_report(story), as_json)
