"""`labkit trial`: read a trial fit back to the true maximum; propose, or accept, a new range."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import click
import rich_click
from rich.text import Text

from labkit.cli import clock
from labkit.cli.common import (
    LEDGER,
    out,
    plain_table,
    print_cautions,
    print_error,
    print_json,
    print_notes,
)
from labkit.core.findings import refusals
from labkit.errors import EXIT_REFUSED, InputError, LabkitError
from labkit.units import millimetres, plain

if TYPE_CHECKING:
    from labkit.core.case.cover import SideCover
    from labkit.core.case.trial_values import TrialProposal
    from labkit.workflow.rods.trial import Trial

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
@click.option(
    "--by",
    metavar="CODE",
    envvar="LABKIT_BY",
    show_envvar=True,
    help="Operator code of whoever records it; needed with --accept.",
)
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
    from labkit.ledger.store import open_ledger
    from labkit.workflow.rods.trial import propose, the_seen
    from labkit.workflow.rods.trial_accept import accept as accepted
    from labkit.workflow.rods.trial_json import trial_json

    if accept and not by:
        raise InputError(
            "--accept writes to the ledger, and nobody is named who does it; give an operator "
            "code with --by",
            field="by",
        )
    seen = the_seen(
        told["met"], (told["left"], told["right"]), (told["gap_left"], told["gap_right"])
    )
    with open_ledger(ledger_url, create=False) as ledger:
        if accept and by:
            trial = accepted(ledger, case, seen, by, clock.now(), note)
        else:
            trial = propose(ledger, case, seen)
    if as_json:
        print_json(trial_json(trial))
    else:
        _print(trial)
    for finding in trial.outcome.refused:
        print_error(LabkitError(finding.message, where=case))
    if trial.outcome.refused:
        click.get_current_context().exit(EXIT_REFUSED)


def _print(trial: Trial) -> None:
    proposal = trial.outcome.proposal
    if proposal is None:
        return
    out().print(
        f"Trial fit of case {trial.stored.case}, prescription revision {trial.stored.revision}",
        style="bold", markup=False,
    )  # fmt: skip
    _print_range(proposal)
    _print_pairs(proposal)
    _print_prescribed(trial)
    print_notes(trial.outcome.findings)
    print_notes(proposal.set_findings)
    for finding in refusals(proposal.set_findings):
        _say(f"On this range the grading as prescribed is refused: {finding.message}")
    _print_order(trial)
    _say(_what_holds(trial))
    print_cautions()


def _print_range(proposal: TrialProposal) -> None:
    left, right = proposal.seats_mm
    label_left, label_right = proposal.labels_at_100
    _say(
        f"True maximum: {millimetres(proposal.advancement_mm)} mm of advancement, seats "
        f"{millimetres(left)} mm apart on the left and {millimetres(right)} mm on the right"
    )
    _say(
        f"Range: {millimetres(proposal.range_mm)} mm, recorded is "
        f"{millimetres(proposal.range_before_mm)} mm; protruded reading "
        f"{plain(proposal.bite.protruded)}"
    )
    _say(f"True 100 % rods: {label_left} left, {label_right} right")


def _print_pairs(proposal: TrialProposal) -> None:
    table = plain_table(
        "Rods out",
        ("\nset/step", "left\nrod", "right\nrod", "advancement\nmm", "was\n%", "is\n%", ""),
    )
    for pair in proposal.pairs:
        table.add_row(
            Text(pair.rods.pair, justify="left"),
            pair.rods.left or "-",
            pair.rods.right or "-",
            millimetres(pair.rods.made.advancement_mm),
            millimetres(pair.percent_before, 1),
            millimetres(pair.rods.made.percent, 1),
            "above 100 %: not to be worn" if pair.above_100 else "",
        )
    out().print(table)


def _print_prescribed(trial: Trial) -> None:
    table = plain_table(
        "Steps prescribed, on this range", ("%", "advancement mm", "left rod", "right rod", "")
    )
    for step in trial.prescribed:
        table.add_row(
            plain(round(step.percent, 4)),
            millimetres(step.advancement_mm),
            _rod(step.left),
            _rod(step.right),
            "start" if step.start else "",
        )
    out().print(table)


def _rod(cover: SideCover) -> str:
    return cover.label or f"missing {cover.wanted}"


def _print_order(trial: Trial) -> None:
    order = trial.order
    if order is None:
        return
    for finding in order.cannot:
        _say(f"Cannot be ordered: {finding.message}")
    if order.command:
        when = "now" if trial.accepted or not trial.text else "after acceptance"
        _say(f"To order the missing rods {when} (with --by, unless LABKIT_BY names you):")
        _say(f"  {order.command}")
    elif not order.cannot:
        _say("No rod is missing.")


def _what_holds(trial: Trial) -> str:
    if trial.accepted is None:
        return (
            "Nothing has changed. This is a proposal; the prescriber accepts it with "
            "--accept --by CODE."
        )
    if not trial.text:
        return (
            f"Accepted as event {trial.accepted}. The range stands: prescription revision "
            f"{trial.revision} holds as it is."
        )
    return (
        f"Accepted as event {trial.accepted}. Prescription revision {trial.revision} holds now; "
        "`labkit show` with --prescription prints its text."
    )


def _say(sentence: str) -> None:
    out().print(sentence, markup=False, soft_wrap=True)
