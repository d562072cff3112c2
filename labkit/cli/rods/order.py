"""`labkit order`: the orders of a case, and taking one back."""

from __future__ import annotations

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import LEDGER, operator_option
from labkit.cli.print_report import print_report
from labkit.cli.record.recording import recording_into, said
from labkit.cli.rods.who import who_records
from labkit.errors import InputError


@click.command("order", cls=rich_click.RichCommand)
@click.argument("case")
@click.option("--withdraw", "entry", type=int, metavar="ENTRY",
              help="Take back the order of this entry; needs --reason and --by.")
@click.option("--reason", default="", metavar="TEXT", help="Why it is withdrawn; it is recorded.")
@operator_option("withdraws it; needed with --withdraw.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, entry: int | None, reason: str, by: str | None, ledger_url: str | None,
    as_json: bool,
) -> None:
    """List the orders of a case, or withdraw one whose rods are still in the laboratory.

    The rods of a withdrawn order are no longer in circulation, and other rods near their length can
    be ordered. An order of which a rod was delivered cannot be withdrawn.

    Example: labkit order QF-1043 --withdraw 12 --reason "ordered twice" --by anna
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.rods.orders import orders_report, withdraw_order

    if entry is None:
        if reason:
            raise InputError("--reason says why an order is withdrawn; give --withdraw with it")
        with look_into(ledger_url) as reader:
            report = orders_report(reader, case)
        print_report(report, as_json)
        return
    by = who_records(by, "a withdrawal")
    with recording_into(ledger_url, by) as recorder:
        report = withdraw_order(recorder.ledger, case, entry, reason, (by, clock.now()))
        print_report(report, as_json)
        if not as_json:
            said(recorder)
