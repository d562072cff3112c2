"""`labkit find`: a rod by its identifier, typed or scanned."""

from __future__ import annotations

import click
import rich_click

from labkit.cli.common import LEDGER
from labkit.cli.print_report import print_report


@click.command("find", cls=rich_click.RichCommand)
@click.argument("identifier", nargs=-1, required=True)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(identifier: tuple[str, ...], ledger_url: str | None, as_json: bool) -> None:
    """Find a rod: its case, set and side, what it means today, its readings.

    IDENTIFIER is what the bag label says, with or without spaces or hyphens, or as scanned.

    Example: labkit find 4829 482 917 3065
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.record.lookup import find_rod
    from labkit.workflow.record.reports import rod_report

    with look_into(ledger_url) as ledger:
        found = find_rod(ledger, " ".join(identifier))
    print_report(rod_report(found), as_json)
