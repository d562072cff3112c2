"""`labkit rod`: what became of rods, and what two of them make together."""

from __future__ import annotations

import datetime
from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import LEDGER, operator_option, print_cautions
from labkit.cli.numbers import DAY
from labkit.cli.print_report import print_report
from labkit.cli.record.recording import recording_into, said
from labkit.cli.rods.replace import whole_identifiers
from labkit.cli.rods.who import who_records
from labkit.errors import EXIT_REFUSED, InputError

#: The words that say what became of rods.
WORDS = ("delivered", "fitted", "returned", "lost", "broken", "withdrawn", "mistaken")


@click.command("rod", cls=rich_click.RichCommand)
@click.argument("words", metavar="IDENTIFIER... STATE", nargs=-1, required=True)
@click.option("--date", "on", type=DAY, metavar="DAY",
              help="The day on which it happened; without it, today.")
@click.option("--note", default="", metavar="TEXT", help="A remark; it is recorded.")
@click.option("--unreleased", default="", metavar="WHY",
              help="Why rods not released, or not to be worn, are delivered; it is recorded.")
@click.option("--instead", is_flag=True,
              help="With fitted: the pair fitted before comes out; the wearer keeps it.")
@click.option("--case", metavar="CASE",
              help="Instead of recording, ask what two rods of this case make together.")
@operator_option("reports it; it is recorded.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    words: tuple[str, ...], case: str | None, by: str | None, ledger_url: str | None,
    as_json: bool, **given: Any,
) -> None:
    """Record what became of rods, or ask what two rods make together.

    IDENTIFIER is what the bag label says, or the name of a set for all its rods. STATE is
    delivered, fitted, returned, lost, broken or withdrawn; mistaken takes the last report back. If
    you name several rods, all are recorded or none. Only the pair in the mouth is fitted.

    With --case, name a left and a right rod as engraved, such as 31.6L 30.1R. The exit status is 1
    if they must not be worn together, or if one of them is not in circulation.

    Examples: labkit rod QF-1043-r1 delivered --by anna

    labkit rod 48295821936048 48297720184539 fitted --instead --by anna

    labkit rod 48294829173065 lost --date 2031-05-02 --note "on a journey" --by anna

    labkit rod 31.6L 30.1R --case QF-1043
    """
    if case is not None:
        _ask(words, case, ledger_url, as_json)
        return
    _tell(words, by, ledger_url, as_json, given)


def _ask(words: tuple[str, ...], case: str, ledger_url: str | None, as_json: bool) -> None:
    from labkit.ledger.store import look_into
    from labkit.workflow.record.pair import pair_report

    with look_into(ledger_url) as reader:
        report = pair_report(reader, case, words)
    print_report(report, as_json)
    if not as_json:
        print_cautions()
    if not report.data["may_be_worn"]:
        click.get_current_context().exit(EXIT_REFUSED)


def _tell(
    words: tuple[str, ...], by: str | None, ledger_url: str | None, as_json: bool,
    given: dict[str, Any],
) -> None:
    from labkit.core.case.rod_life import RodState
    from labkit.workflow.rods.life import Told, tell

    *rods, state = words
    if state not in WORDS or not rods:
        raise InputError(
            f"the last word says what became of the rods: {', '.join(WORDS)}; to ask what two rods "
            "make together, name their case with --case",
            field="state", value=state,
        )
    by = who_records(by, "what became of rods")
    on: datetime.date | None = given["on"]
    if given["instead"] and state != RodState.FITTED:
        raise InputError(
            "--instead says which pair comes out where another is fitted; it goes with fitted only",
            field="instead",
        )
    told = Told(state, given["note"], on, given["unreleased"], given["instead"])
    with recording_into(ledger_url, by) as recorder:
        whole = whole_identifiers(tuple(rods))
        report = tell(recorder.ledger, whole, told, by, clock.now().astimezone())
        print_report(report, as_json)
        if not as_json:
            said(recorder)
