"""`labkit cases`: every case of the ledger, a line each."""

from __future__ import annotations

import click
import rich_click
from rich.text import Text

from labkit.cli.common import LEDGER, out, plain_table, print_json


@click.command("cases", cls=rich_click.RichCommand)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one for each case.")
def command(ledger_url: str | None, as_json: bool) -> None:
    """List all cases: revisions of the prescription, sets made, rods out, last event.

    Example: labkit cases --json
    """
    from labkit.ledger.store import open_ledger
    from labkit.workflow.record.lookup import all_cases
    from labkit.workflow.record.story import moment

    with open_ledger(ledger_url, create=False) as ledger:
        lines = all_cases(ledger)
    table = plain_table("Cases", ("case", "revisions", "sets", "rods out", "last event", "by"))
    for line in lines:
        each = line.summary
        if as_json:
            print_json(
                {
                    "schema": 1,
                    "case": each.case,
                    "revisions": each.revision,
                    "sets": each.sets,
                    "rods_out": line.rods_out,
                    "opened": {"at": each.opened.at, "by": each.opened.by},
                    "last": {"kind": each.last_kind, "at": each.last.at, "by": each.last.by},
                }
            )
        table.add_row(
            Text(each.case, justify="left"),
            str(each.revision),
            str(each.sets),
            str(line.rods_out),
            Text(f"{moment(each.last.at)}: {each.last_kind}", justify="left"),
            Text(each.last.by, justify="left"),
        )
    if not as_json:
        out().print(table if lines else "The ledger has no cases yet.")
