"""`labkit cases`: every case of the ledger, a line each."""

from __future__ import annotations

import click
import rich_click

from labkit.cli.common import LEDGER, print_json
from labkit.cli.print_report import print_report


@click.command("cases", cls=rich_click.RichCommand)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one for each case.")
def command(ledger_url: str | None, as_json: bool) -> None:
    """List all cases: prescription revisions, sets, rods in circulation, last entry.

    "Asked back" counts rods with the clinic or the wearer that are not to be worn.

    Example: labkit cases --json
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.record.lookup import all_cases
    from labkit.workflow.record.reports import cases_report

    with look_into(ledger_url) as ledger:
        lines = all_cases(ledger)
    report = cases_report(lines)
    if not as_json:
        print_report(report)
    for line in report.data["cases"] if as_json else ():
        print_json(line)
