"""`labkit reject`: rods that must not be used, with or without a new one in their place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import LEDGER, PROFILE, operator_option, sets_option
from labkit.cli.numbers import DAY
from labkit.cli.print_report import print_report
from labkit.cli.record.recording import recording_into, said
from labkit.cli.rods.replace import CAUSE, make_anew, whole_identifiers
from labkit.cli.rods.who import who_records
from labkit.errors import InputError


@click.command("reject", cls=rich_click.RichCommand)
@click.argument("words", metavar="IDENTIFIER...", nargs=-1, required=True)
@CAUSE
@click.option("--note", default="", metavar="TEXT", help="What was seen; it is recorded.")
@click.option("--date", "on", type=DAY, metavar="DAY",
              help="The day on which it happened; without it, today.")
@click.option("--new", "anew", is_flag=True, help="Also make the rods again, into --out.")
@sets_option("with --new, the new rods are", required=False)
@PROFILE
@operator_option("rejects them; it is recorded.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    words: tuple[str, ...], by: str | None, ledger_url: str | None, as_json: bool, **asked: Any
) -> None:
    """Reject rods, which ends their life; with --new, make replacements.

    IDENTIFIER is what the bag label says, or the name of a set for all of its rods. If you name
    several rods, all are rejected or none. A set of which a rod is rejected is not released until
    another one takes its place (--new, or later `labkit replace`); a release that it was part of is
    no longer valid.

    Example: labkit reject 48294829173065 --cause length --note "0.3 mm too long" --by quinn

    labkit reject 48294829173065 --cause crack --new --out sets --by anna
    """
    from labkit.catalog.causes import find_cause, told_cause
    from labkit.core.case.rod_life import RodState
    from labkit.workflow.rods.life import Told, tell
    from labkit.workflow.rods.replace import ReplacementOrder

    by = who_records(by, "that rods are rejected")
    note, out = asked["note"], asked["out_dir"]
    name = told_cause(asked["cause"], note)
    _check_new(out, asked)
    whole, why = whole_identifiers(words), note or find_cause(name).words
    if asked["anew"]:
        order = ReplacementOrder(whole, why, RodState.REJECTED, name)
        make_anew(order, asked, (by, ledger_url), as_json=as_json)
        return
    told = Told(RodState.REJECTED, note, asked["on"], cause=name)
    with recording_into(ledger_url, by) as recorder:
        report = tell(recorder.ledger, whole, told, by, clock.now().astimezone())
        print_report(report, as_json)
        if not as_json:
            said(recorder)


def _check_new(out: Path | None, asked: dict[str, Any]) -> None:
    if asked["anew"] != (out is not None):
        raise InputError(
            "--new and --out go together: --out names the folder of sets for the new "
            "rods", field="out",
        )
    if asked["anew"] and asked["on"] is not None:
        raise InputError(
            "--date cannot be used with --new; reject the rods with their day first, then make new "
            "ones with `labkit replace`", field="date",
        )
