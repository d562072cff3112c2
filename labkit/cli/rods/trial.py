"""`labkit trial`: read a trial fit back to the true maximum; propose, or accept, a new range."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import LEDGER, operator_option, print_cautions, print_error
from labkit.cli.print_report import print_report
from labkit.errors import EXIT_REFUSED, InputError, LabkitError

_NUMBER = re.compile(r"[+-]?[0-9]{1,4}(\.[0-9]{1,12})?")


def _millimetres(_: click.Context, param: click.Parameter, value: str | None) -> Decimal | None:
    """Read an option as an exact number of mm."""
    if value is None:
        return None
    if not _NUMBER.fullmatch(value.strip()):
        raise InputError(
            f"{param.opts[0]} is {value!r}; give a number of mm such as 0.8, or -0.8 where the "
            "rod falls short of its seat",
            field=param.name or "", value=value,
        )  # fmt: skip
    return Decimal(value.strip())


@click.command("trial", cls=rich_click.RichCommand)
@click.argument("case")
@click.option("--met", metavar="LABEL", help="Both rods of this label met their seats.")
@click.option("--left", metavar="LABEL", help="The left rod that met its seat.")
@click.option("--right", metavar="LABEL", help="The right rod that met its seat.")
@click.option(
    "--gap-left",
    metavar="MM",
    callback=_millimetres,
    help="How far the left 100 % rod reaches past its seat; - where it falls short.",
)
@click.option(
    "--gap-right",
    metavar="MM",
    callback=_millimetres,
    help="The same on the right.",
)
@click.option("--accept", is_flag=True, help="The prescriber accepts: record a new revision.")
@operator_option("records it; needed with --accept.")
@click.option("--note", default="", metavar="TEXT", help="A remark to be recorded with --accept.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, accept: bool, by: str | None, note: str, ledger_url: str | None, as_json: bool,
    **told: Any,
) -> None:
    """Tell what was met with the patient as far forward as they can go.

    Tell it in one way: --met, or --left and --right, or --gap-left and --gap-right. What is
    printed is a proposal, and nothing changes; with --accept, which is the prescriber's
    decision, the trial fit and a new revision of the prescription are recorded. The labels on
    the rods stay true, only what they mean in percent changes.

    Example: labkit trial QF-1043 --gap-left 0.8 --gap-right 0.7
    """
    from labkit.ledger.store import look_into, open_ledger
    from labkit.workflow.rods.trial import propose, the_seen
    from labkit.workflow.rods.trial_accept import accept as accepted
    from labkit.workflow.rods.trial_report import trial_report

    if accept and not by:
        raise InputError(
            "--accept writes to the ledger, and nobody is named who does it; give an operator "
            "code with --by",
            field="by",
        )
    seen = the_seen(
        told["met"], (told["left"], told["right"]), (told["gap_left"], told["gap_right"])
    )
    if accept and by:
        with open_ledger(ledger_url, create=False) as ledger:
            trial = accepted(ledger, case, seen, by, clock.now(), note)
    else:
        with look_into(ledger_url) as reader:
            trial = propose(reader, case, seen)
    print_report(trial_report(trial), as_json)
    if trial.outcome.proposal is not None and not as_json:
        print_cautions()
    for finding in trial.outcome.refused:
        print_error(LabkitError(finding.message, where=case))
    if trial.outcome.refused:
        click.get_current_context().exit(EXIT_REFUSED)
