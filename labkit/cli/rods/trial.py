"""`labkit trial`: read a trial fit back to the true maximum; propose, or accept, a new range."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import LEDGER, Decorator, operator_option, print_cautions, print_error
from labkit.cli.numbers import DAY, Number
from labkit.cli.print_report import print_report
from labkit.cli.rods.who import who_records
from labkit.errors import EXIT_REFUSED, InputError, InputErrors, LabkitError

if TYPE_CHECKING:
    from labkit.core.case.trial_seen import TrialSeen


def _side(side: str) -> Decorator:
    return click.option(
        f"--{side}", metavar="SEEN",
        help=f'The {side} rod and what was seen of its free end: "28.7 meets", "28.7 too long by '
        '0.8", "28.7 too short by 0.8"; the rod by its label or its identifier.',
    )


@click.command("trial", cls=rich_click.RichCommand)
@click.argument("case")
@click.argument("unquoted", nargs=-1, metavar="")
@_side("left")
@_side("right")
@click.option("--date", "on", type=DAY, metavar="DAY",
              help="Day of the trial fit; without it, today.")
@click.option(
    "--read-to", type=Number("0.01", "1"), default="0.1", show_default=True, metavar="MM",
    help="Step to which the gaps were read.",
)
@click.option(
    "--correct", type=click.Choice(["left", "right", "midline"]),
    help="Where left and right disagree: what was recorded wrongly, by the prescriber's word.",
)
@click.option("--accept", is_flag=True, help="The prescriber accepts: record a new revision.")
@click.option("--withdraw", "entry", type=int, metavar="ENTRY",
              help="Take back an accepted trial fit; needs --reason and --by.")
@click.option("--reason", default="", metavar="TEXT", help="Why it is withdrawn; it is recorded.")
@operator_option("records it; needed with --accept and --withdraw.")
@click.option("--note", default="", metavar="TEXT", help="A remark to be recorded with --accept.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, accept: bool, by: str | None, ledger_url: str | None, as_json: bool, **told: Any
) -> None:
    """Enter the result of a trial fit at the patient's maximum protrusion.

    Attach each rod at one end, let the pads touch on both sides, have the jaw moved as far forward
    as it goes, and look where the free end lies: it meets its seat, the rod is too long, or it is
    too short. Say it in words and in quotes, without a sign. The answer is a proposal and changes
    nothing. --accept, the prescriber's decision, records the trial fit and a new revision of the
    prescription. The labels on the rods stay true; only what they mean in percent changes.

    --withdraw takes an accepted trial fit back by its entry number (see `labkit show`); what is
    valid is worked out again from those that remain, and recorded as a new revision.

    Example: labkit trial QF-1043 --left "28.7L meets" --right "28.7R too long by 0.8"
    """
    from labkit.ledger.store import look_into, open_ledger
    from labkit.workflow.rods.trial import propose
    from labkit.workflow.rods.trial_accept import accept as accepted
    from labkit.workflow.rods.trial_report import trial_report

    if told["entry"] is not None:
        _withdraw(case, ledger_url, told, by, as_json)
        return
    if accept:
        who_records(by, "an accepted trial fit")
    seen, now = _seen(told), clock.now().astimezone()
    if accept and by:
        with open_ledger(ledger_url, create=False) as ledger:
            trial = accepted(ledger, case, seen, by, now, told["note"])
    else:
        with look_into(ledger_url) as reader:
            trial = propose(reader, case, seen, now)
    print_report(trial_report(trial), as_json)
    if trial.outcome.proposal is not None and not as_json:
        print_cautions()
    for finding in trial.outcome.refused:
        print_error(LabkitError(finding.message, where=case))
    if trial.outcome.refused:
        click.get_current_context().exit(EXIT_REFUSED)


def _withdraw(
    case: str, ledger_url: str | None, told: dict[str, Any], by: str | None, as_json: bool
) -> None:
    from labkit.ledger.store import open_ledger
    from labkit.workflow.rods.trial_withdraw import withdraw_trial

    who = who_records(by, "a withdrawal"), clock.now().astimezone()
    if told["left"] or told["right"]:
        raise InputError(
            "--withdraw takes a trial fit back, and --left and --right enter another one; do one "
            "after the other",
            field="withdraw",
        )
    with open_ledger(ledger_url, create=False) as ledger:
        report = withdraw_trial(ledger, case, told["entry"], told["reason"], who)
    print_report(report, as_json)
    if not as_json:
        print_cautions()


def _seen(told: dict[str, Any]) -> TrialSeen:
    """Put together what was typed."""
    from labkit.core.case.trial_seen import Correct, TrialSeen
    from labkit.core.case.trial_words import ALLOWED, read_seen
    from labkit.core.grading.prescription import Side

    if told["unquoted"]:
        raise InputError(
            f"\"{' '.join(told['unquoted'])}\" is not part of an answer; what was seen of a rod "
            f"goes in quotes, rod and words together: {ALLOWED}",
            field="trial",
        )
    for side in Side:
        if told[side] is None:
            raise InputError(
                f"nothing is said of the {side} side; the jaw can turn, so give both sides: "
                '--left "28.7 meets" --right "28.7 too long by 0.8"',
                field=str(side),
            )
    correct = None if told["correct"] is None else Correct(told["correct"])
    seen, wrong = {}, []
    for side in Side:
        try:
            seen[side] = read_seen(side, told[side])
        except InputError as error:
            wrong.append(error)
    if wrong:
        raise InputErrors(tuple(wrong))
    left, right = seen.values()
    return TrialSeen(left, right, Decimal(told["read_to"]), correct, told["on"])
