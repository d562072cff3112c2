"""`labkit rejects`: rejected rods, counted by process and cause."""

from __future__ import annotations

import click
import rich_click

from labkit.cli.common import LEDGER
from labkit.cli.print_report import print_report


@click.command("rejects", cls=rich_click.RichCommand)
@click.option("--process", metavar="NAME", help="Only this process; default: each one.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(process: str | None, ledger_url: str | None, as_json: bool) -> None:
    """Count rejected rods by process and cause, and list the causes.

    Rods that were rejected without a cause count as "not stated".

    Example: labkit rejects --process example-resin
    """
    from labkit.catalog.causes import causes
    from labkit.ledger.store import look_into
    from labkit.workflow.process.rejects import rejects_report

    with look_into(ledger_url) as reader:
        report = rejects_report(reader, causes(), process)
    print_report(report, as_json)
