"""`labkit replace`: a lost, broken or rejected rod is made once more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli.common import (
    BY,
    LEDGER,
    PROFILE,
    counting,
    print_cautions,
    print_json,
    print_problems,
    sets_option,
)
from labkit.cli.print_report import print_table
from labkit.cli.process.notes import process_words, say_first
from labkit.cli.record.recording import recording_into, said
from labkit.cli.sets.profile import named_profile
from labkit.core.case.identifier import LENGTHS, grouped
from labkit.core.report import Column, Table

if TYPE_CHECKING:
    from labkit.workflow.rods.replace import ReplacementOrder
    from labkit.workflow.sets.make import MadeSet

#: Digits in the first word of an identifier of ten digits, typed in groups.
_EARLIER = (3, 6, 10)
#: Why rods are rejected, by a name of the list.
CAUSE = click.option(
    "--cause", metavar="NAME",
    help="Why rods are rejected: length, sides, fitting, label, crack, surface, bent, material, "
    "build, handling, mixed-up or other; it is counted by process (`labkit rejects`).",
)


@click.command("replace", cls=rich_click.RichCommand)
@click.argument("identifiers", metavar="IDENTIFIER...", nargs=-1, required=True)
@click.option("--reason", required=True, metavar="TEXT",
              help="Why, in words; it is recorded.")
@click.option("--because", type=click.Choice(["lost", "broken", "rejected"]),
              help="What became of the rods; without it, those that are in the lab are rejected.")
@CAUSE
@sets_option("the new rods are")
@PROFILE
@BY
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(
    identifiers: tuple[str, ...], by: str, ledger_url: str | None, as_json: bool, **asked: Any
) -> None:
    """Make replacements for rods that were lost, broken or rejected.

    IDENTIFIER is what the bag label says, with or without spaces or hyphens, or as scanned. Each
    new rod is made from the recorded prescription revision, template and process of the old one's
    set, takes its place and has an identifier of its own. Only the rods named are made, never their
    partners. A rod that is broken, lost or withdrawn keeps that state. All rods of one run belong
    to one set.

    Example: labkit replace 48294829173065 --reason "0.3 mm too long" --out sets --by anna

    labkit replace 48294829173065 --because lost --reason "on a journey" --out sets --by anna
    """
    from labkit.core.case.rod_life import RodState
    from labkit.workflow.rods.replace import ReplacementOrder

    because = RodState(asked["because"]) if asked["because"] else None
    cause = known_cause(asked["cause"])
    order = ReplacementOrder(whole_identifiers(identifiers), asked["reason"], because, cause)
    make_anew(order, asked, (by, ledger_url), as_json=as_json)


def make_anew(
    order: ReplacementOrder, asked: dict[str, Any], who: tuple[str, str | None], *, as_json: bool
) -> None:
    """Make rods once more, and print what was made.

    Args:
        asked: The options --profile and --out.
        who: Operator code, and the ledger.
    """
    from labkit.catalog.lettering import load_lettering
    from labkit.documents.set_spec import process_of
    from labkit.workflow.rods.replace import make_replacement, recorded_process, sweep_before

    by, ledger_url = who
    means = (load_lettering(), named_profile(asked["profile_path"]))
    with recording_into(ledger_url, by) as recorder:
        sweep_before(recorder.ledger, order, asked["out_dir"])
        say_first(process_words(recorded_process(recorder.ledger, order)))
        with counting("Replacement") as step:
            made = make_replacement(order, means, asked["out_dir"], step, recorder)
    if as_json:
        print_json({"schema": 1, "folder": str(made.folder), **made.spec, "changed": made.changed})
        return
    _print(made)
    said(process_words(process_of(made.spec)))
    said(recorder)
    print_cautions()


def known_cause(name: str | None) -> str | None:
    """Hold a cause that was named against the list of them.

    Raises:
        InputError: It is not in the list; the sentence names those that are.
    """
    from labkit.catalog.causes import find_cause

    return None if name is None else find_cause(name).name


def whole_identifiers(words: tuple[str, ...]) -> tuple[str, ...]:
    """Put identifiers typed in groups together again; names with letters stand by themselves.

    >>> whole_identifiers(("4829", "482", "917", "3065", "482", "917", "3065", "111-222-3333"))
    ('48294829173065', '4829173065', '111-222-3333')
    """
    whole: list[str] = []
    begun, lacking = "", 0
    for word in words:
        if any(map(str.isalpha, word)):
            whole += [begun, word] if begun else [word]
            begun, lacking = "", 0
            continue
        digits = sum(map(str.isdigit, word))
        if not begun:
            lacking = min(LENGTHS) if digits in _EARLIER else max(LENGTHS)
        begun, lacking = begun + word, lacking - digits
        if lacking <= 0:
            whole.append(begun)
            begun = ""
    return (*whole, begun) if begun or not whole else tuple(whole)


def _print(made: MadeSet) -> None:
    from labkit.cli.sets.make import print_parts

    print_parts(made.spec["case"], made)
    print_table("Replacements", _table(made.spec))
    print_problems(
        found["message"]
        for found in made.spec["lengths"]["findings"]
        if found["code"] in ("earlier_revision", "above_100")
    )


def _table(spec: dict[str, Any]) -> Table:
    new = {
        (use["step"], use["side"]): (use["identifier"], part["part"])
        for part in spec["parts"]
        for use in part["uses"]
    }
    rows = []
    for old in spec["replaces"]:
        identifier, label = new[old["step"], old["side"]]
        rows.append((
            grouped(identifier), label, old["step"], old["side"], grouped(old["identifier"]),
            old["set"],
        ))
    heads = ("new rod", "label", "step", "side", "replaces", "of set")
    return Table(tuple(map(Column, heads)), tuple(rows))
