"""`labkit recall`: cases whose delivered papers or rods are wrong under the rules of today."""

from __future__ import annotations

import click
import rich_click

from labkit.cli.common import LEDGER, print_cautions
from labkit.cli.print_report import print_report


@click.command("recall", cls=rich_click.RichCommand)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(ledger_url: str | None, as_json: bool) -> None:
    """List cases whose papers or rods are wrong under today's rules, and what to do.

    Names rods in circulation that make more than the maximum, that would not hold the jaw by the
    rules for a new set, or that were made without compensation, and sets whose last papers report
    another range than today's. Papers printed again count if that was recorded (`labkit papers
    --by`). Nothing is recorded.

    Example: labkit recall
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.record.recall import recall_report

    with look_into(ledger_url) as reader:
        report = recall_report(reader)
    print_report(report, as_json)
    if not as_json:
        print_cautions()
