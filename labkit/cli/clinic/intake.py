"""`labkit intake`: what a clinic sent, as a proposal that a technician confirms."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import (
    LEDGER,
    PROCESSES,
    TEMPLATES,
    operator_option,
    print_cautions,
    print_error,
)
from labkit.cli.print_report import print_report
from labkit.cli.rods.who import who_records
from labkit.errors import EXIT_REFUSED, InputError, RefusedError

if TYPE_CHECKING:
    from labkit.workflow.intake.means import Command
    from labkit.workflow.intake.proposal import Proposal
    from labkit.workflow.rods.extra import Installed


_OPTIONS = {"template": "--templates", "process": "--processes"}


@click.command("intake", cls=rich_click.RichCommand)
@click.argument("file", metavar="FILE")
@click.option("--confirm", is_flag=True, help="Do what the proposal says; needs --by.")
@TEMPLATES
@PROCESSES
@operator_option("confirms it; needed with --confirm.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    file: str, confirm: bool, by: str | None, ledger_url: str | None, as_json: bool, **given: Any
) -> None:
    """Show what a clinic sent as a proposal; with --confirm, do it.

    FILE is what the clinic's sheet saved (`labkit clinic-sheet`), or `-` for what a hand scanner
    typed. It is checked like anything typed. The answer says what the clinic tells, what was
    recorded since the sheet was made, what would follow, and the commands that would do it. Nothing
    is recorded. --confirm runs these commands, and nothing else.

    Example: labkit intake QF-1043-trial.json
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.intake.file import MOST_BYTES, read_clinic_file
    from labkit.workflow.intake.means import Lab
    from labkit.workflow.intake.proposal import propose_intake

    if confirm:
        who_records(by, "what a clinic sent")
    name = "standard input" if file == "-" else file
    told = read_clinic_file(_bytes_of(file, MOST_BYTES + 1), name)
    with look_into(ledger_url) as reader:
        lab = Lab(reader, lambda: _installed(given), clock.now().astimezone())
        proposal = propose_intake(lab, told, file)
    if confirm:
        _confirm(proposal, (str(by), ledger_url), given, as_json)
        return
    print_report(proposal.report, as_json)
    for sentence in proposal.refused:
        print_error(RefusedError(sentence, where=name))
    if proposal.refused:
        click.get_current_context().exit(EXIT_REFUSED)
    if not as_json:
        print_cautions()


def _bytes_of(file: str, most: int) -> bytes:
    if file == "-":
        return sys.stdin.buffer.read(most)
    try:
        with Path(file).open("rb") as stream:
            return stream.read(most)
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror or error}); name the file that the clinic sent",
            where=file,
        ) from error


def _installed(given: Mapping[str, Any]) -> Installed:
    from labkit.catalog.lettering import load_lettering
    from labkit.catalog.processes import processes
    from labkit.catalog.rods import rod_templates
    from labkit.workflow.rods.extra import Installed

    return Installed(
        rod_templates(given["template_places"]), processes(given["process_places"]),
        load_lettering(),
    )


def _confirm(
    proposal: Proposal, who: tuple[str, str | None], given: Mapping[str, Any], as_json: bool
) -> None:
    """Run the commands of a proposal, one after another, until one does not end well."""
    if proposal.refused:
        raise RefusedError("\n".join(proposal.refused))
    if proposal.waits:
        raise RefusedError(f"nothing was recorded: {proposal.waits}")
    context = click.get_current_context()
    for one in proposal.commands:
        status = context.find_root().command.main(
            [one[0], *_asked(one, who, given, as_json), *one[1:]], standalone_mode=False
        )
        if status:
            context.exit(status)


def _asked(
    command: Command, who: tuple[str, str | None], given: Mapping[str, Any], as_json: bool
) -> list[str]:
    """Give the options that the command takes over from this one."""
    by, ledger_url = who
    options = ["--by", by, *(["--ledger", ledger_url] if ledger_url else [])]
    if command[0] == "extra":
        for option in ("template", "process"):
            places = given[f"{option}_places"]
            options += [word for place in places for word in (_OPTIONS[option], place)]
    return [*options, *(["--json"] if as_json else [])]
