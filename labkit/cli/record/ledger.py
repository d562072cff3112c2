"""`labkit ledger`: verify, upgrade, back up, restore, export, import, reconcile."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import BY, LEDGER, print_json, say
from labkit.cli.print_report import print_report
from labkit.core.report import Report, Section
from labkit.errors import EXIT_REFUSED, InputError
from labkit.units import counted

if TYPE_CHECKING:
    from labkit.ledger.events import Head
    from labkit.ledger.verify import Verification

JSON = click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
FILE = click.Path(path_type=Path, dir_okay=False)


@click.group("ledger", cls=rich_click.RichGroup)
def command() -> None:
    """Look after the record of what was prescribed, made, measured and released.

    Example: labkit ledger verify
    """


@command.command("verify", cls=rich_click.RichCommand)
@click.option(
    "--head",
    metavar="DIGEST",
    help="A digest noted earlier; it must be found in the chain.",
)
@click.option(
    "--certificate", type=FILE, metavar="FILE",
    help="A certificate of inspection (PDF); the digest on it must be found in the chain.",
)
@LEDGER
@JSON
def verify_command(
    head: str | None, certificate: Path | None, ledger_url: str | None, as_json: bool
) -> None:
    """Check every entry, every row and the database itself for changes.

    Write down the digest that is printed: with --head it later shows that nothing recorded until
    today was removed or rewritten. So does a certificate that was given away (--certificate, or the
    digest in its code). Exit status 1 if something is found.

    Example: labkit ledger verify --ledger lab.sqlite
    """
    from labkit.ledger.store import look_into
    from labkit.ledger.verify import verify
    from labkit.workflow.inspection.certificate import noted_on

    noted = [head] if head is not None else []
    noted += [noted_on(certificate)] if certificate is not None else []
    with look_into(ledger_url) as ledger:
        found, place = verify(ledger, *noted), ledger.place
    print_report(_verification(place, found), as_json)
    if not found.ok:
        click.get_current_context().exit(EXIT_REFUSED)


def _verification(place: str, found: Verification) -> Report:
    from labkit.ledger.identity import identity_words

    problems = f"{len(found.problems)} problems. Keep this file."
    words = (
        *(f"Problem: {problem}" for problem in found.problems),
        f"{place}: {found.events} events, {'no change found.' if found.ok else problems}",
        f"This is {identity_words(found.identity)}",
        f"Head: {found.head}",
    )
    data = {
        "schema": 1, "ledger": place, "identity": found.identity, "events": found.events,
        "head": found.head, "ok": found.ok, "problems": found.problems,
    }
    return Report("Verification of the record", (Section(words=words),), data)


@command.command("backup", cls=rich_click.RichCommand)
@click.argument("file", type=FILE)
@LEDGER
@JSON
def backup_command(file: Path, ledger_url: str | None, as_json: bool) -> None:
    """Copy the ledger to a new FILE and verify the copy; others can go on working.

    Example: labkit ledger backup ledger-2031-03-14.sqlite
    """
    from labkit.ledger.store import look_into
    from labkit.ledger.transfer import backup

    with look_into(ledger_url) as ledger:
        _done("backed up", str(file), backup(ledger, file), as_json)


@command.command("upgrade", cls=rich_click.RichCommand)
@click.option(
    "--backup", "backup_to", type=FILE, metavar="FILE",
    help="New file for the backup; default: beside an SQLite ledger.",
)
@LEDGER
@JSON
def upgrade_command(backup_to: Path | None, ledger_url: str | None, as_json: bool) -> None:
    """Bring a ledger that an earlier version wrote up to date, after a backup.

    The ledger is verified, copied to a new file that bears its revision, brought up to date and
    verified again. Every entry stays as it is; the tables are derived from the entries again. A
    ledger that is up to date is left alone. Commands that only look never need this.

    Example: labkit ledger upgrade
    """
    from labkit.ledger.revision import REVISION
    from labkit.ledger.upgrade import upgrade

    done = upgrade(ledger_url, backup_to)
    if as_json:
        print_json({"schema": 1, "ledger": done.place, "from": done.revision, "to": REVISION,
                    "backup": done.backup and str(done.backup), "events": done.head.count,
                    "head": done.head.digest})
        return
    if done.backup is None:
        say(f"{done.place} is up to date (revision {REVISION}); nothing was done.")
        return
    say(f"Backup of revision {done.revision}: {done.backup}, verified.")
    say(
        f"{done.place}: {done.head.count} events, brought from revision {done.revision} to "
        f"{REVISION}, verified."
    )
    say(f"Head: {done.head.digest}")


@command.command("restore", cls=rich_click.RichCommand)
@click.argument("file", type=FILE)
@LEDGER
@JSON
def restore_command(file: Path, ledger_url: str | None, as_json: bool) -> None:
    """Fill a new ledger from the backup or export FILE, which is verified first.

    A ledger that has events is never written over.

    Example: labkit ledger restore ledger-2031-03-14.sqlite --ledger new.sqlite
    """
    from labkit.ledger.place import ledger_url as place_of
    from labkit.ledger.place import shown
    from labkit.ledger.transfer import restore

    _done("restored", shown(place_of(ledger_url)), restore(file, ledger_url), as_json)


@command.command("export", cls=rich_click.RichCommand)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
@LEDGER
@JSON
def export_command(file: Path, ledger_url: str | None, as_json: bool) -> None:
    """Write every event as a line of JSON to a new FILE, or - for standard output.

    Example: labkit ledger export ledger.jsonl
    """
    from labkit.ledger.store import look_into
    from labkit.ledger.transfer import export_lines, export_to

    with look_into(ledger_url) as ledger:
        if str(file) != "-":
            _done("exported", str(file), export_to(ledger, file), as_json)
            return
        for line in export_lines(ledger):
            click.echo(line)


@command.command("import", cls=rich_click.RichCommand)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
@LEDGER
@JSON
def import_command(file: Path, ledger_url: str | None, as_json: bool) -> None:
    """Read an export into a new ledger; every event keeps its digest.

    FILE is an export (JSON Lines), or - for standard input.

    Example: labkit ledger import ledger.jsonl --ledger postgresql://lab@127.0.0.1/ledger
    """
    from labkit.ledger.store import open_ledger
    from labkit.ledger.transfer import import_from, text_of

    stdin = str(file) == "-"
    with (
        nullcontext(sys.stdin) if stdin else text_of(file) as lines,
        open_ledger(ledger_url) as ledger,
    ):
        head = import_from(ledger, lines, "standard input" if stdin else str(file))
        _done("imported to", ledger.place, head, as_json)


@command.command("reconcile", cls=rich_click.RichCommand)
@click.option("--case", metavar="CASE", help="Only the sets of this case.")
@click.option(
    "--sets",
    "sets_dir",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Also list the sets in this folder that are not in the ledger.",
)
@BY
@LEDGER
@JSON
def reconcile_command(
    case: str | None, sets_dir: Path | None, by: str, ledger_url: str | None, as_json: bool
) -> None:
    """Settle sets that a killed run left open, and compare record and folders.

    A set that was begun and whose folder is whole is recorded as made, any other as abandoned.
    Everything else that differs is reported, and nothing is deleted. Exit status 1 if something is
    left for you to do.

    Example: labkit ledger reconcile --by anna --sets sets
    """
    from labkit.ledger.reconcile import Action, Decision, reconcile
    from labkit.ledger.store import open_ledger
    from labkit.workflow.sets.on_disk import look_at, unrecorded

    if sets_dir is not None and not sets_dir.is_dir():
        raise InputError(f"there is no folder {sets_dir}; name the one that holds the sets")
    with open_ledger(ledger_url, create=False) as ledger:
        decisions = list(reconcile(ledger, look_at, by, clock.now(), case))
        recorded = [s for each in ledger.cases() for s in ledger.sets(each.case)]
    for path in unrecorded(sets_dir, recorded) if sets_dir else ():
        sentence = f"{path}: lies there and is not in the ledger; do not deliver it; remove it"
        decisions.append(Decision(path.name, "", Action.TELL, sentence))
    shown = [d for d in decisions if as_json or d.action is not Action.NOTHING]
    for decision in shown:
        if as_json:
            print_json({"schema": 1, **vars(decision)})
        else:
            say(decision.sentence)
    if not as_json:
        told = f"look at {len(shown)}, as said above" if shown else "all as recorded"
        say(f"{counted(len(decisions), 'set')} compared: {told}.")
    if any(decision.action is Action.TELL for decision in decisions):
        click.get_current_context().exit(EXIT_REFUSED)


def _done(what: str, target: str, head: Head, as_json: bool) -> None:
    """Say what was done and where the chain ends."""
    words = (
        f"{what[0].upper()}{what[1:]} {target}: {head.count} events, verified.",
        f"Head: {head.digest}",
    )
    data = {
        "schema": 1, "done": what, "target": target, "events": head.count, "head": head.digest
    }
    print_report(Report("The record", (Section(words=words),), data), as_json)
