"""`labkit intake`: what a clinic sent, as a proposal that a technician confirms."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.rods import rod_templates
from labkit.cli import clock
from labkit.cli.common import (
    LEDGER,
    PROCESSES,
    TEMPLATES,
    operator_option,
    print_cautions,
    print_error,
    say,
)
from labkit.cli.print_report import print_report
from labkit.cli.record.recording import looking
from labkit.cli.rods.extra import installed_of
from labkit.cli.rods.who import who_records
from labkit.cli.sent_bytes import bytes_of, named
from labkit.errors import EXIT_REFUSED, InputError, RefusedError

if TYPE_CHECKING:
    from labkit.workflow.intake.acts import Command
    from labkit.workflow.intake.proposal import Proposal


#: What to do about a file that cannot be read.
_DO = "name the file that the clinic sent"


@click.command("intake", cls=rich_click.RichCommand)
@click.argument("file", metavar="FILE")
@click.option("--confirm", is_flag=True, help="Do what the proposal says; needs --by.")
@click.option("--out", "out_dir", metavar="DIR", type=click.Path(path_type=Path, file_okay=False),
              help="Folder for the prescription files, one each; made if absent.")
@TEMPLATES
@PROCESSES
@operator_option("confirms it; needed with --confirm.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(file: str, confirm: bool, as_json: bool, **given: Any) -> None:
    """Show what a clinic sent as a proposal; with --confirm, do it.

    FILE is what the clinic's sheet saved (`labkit clinic-sheet`), or `-` for what a hand scanner
    typed. It is checked as if it were typed. The answer says what the clinic reports, what was
    recorded since the sheet was made, what would follow, and the commands that would do it. Nothing
    is recorded. --confirm runs these commands, and nothing else.

    A spreadsheet of prescriptions, one a row, is a FILE that ends with .csv; --out writes each as a
    prescription file.

    Examples: labkit intake QF-1043-trial.json

    labkit intake prescriptions.csv --out prescriptions
    """
    if confirm:
        who_records(given["by"], "what a clinic sent")
    if file.lower().endswith(".csv"):
        _table(file, confirm, as_json, given)
        return
    proposal = _proposal(file, given)
    if confirm:
        _confirm(proposal, given, as_json)
        return
    print_report(proposal.report, as_json)
    for sentence in proposal.refused:
        print_error(RefusedError(sentence, where=named(file)))
    if proposal.refused:
        click.get_current_context().exit(EXIT_REFUSED)
    if not as_json:
        print_cautions()


def _proposal(file: str, given: Mapping[str, Any]) -> Proposal:
    from labkit.core.clinic import PrescriptionTold
    from labkit.ledger.store import look_into
    from labkit.workflow.intake.file import MOST_BYTES, read_clinic_file
    from labkit.workflow.intake.means import Lab
    from labkit.workflow.intake.prescribed import looked_at, source_of, write_prescriptions
    from labkit.workflow.intake.proposal import propose_intake, propose_prescription

    told, now = read_clinic_file(bytes_of(file, MOST_BYTES, _DO), named(file)), clock.now()
    now, out = now.astimezone(), given["out_dir"]
    if not isinstance(told.told, PrescriptionTold):
        with look_into(given["ledger_url"]) as reader:
            lab = Lab(reader, lambda: installed_of(given), now)
            return propose_intake(lab, told, shlex.quote(file))
    source = source_of(told, told.told, named(file))
    sent = looked_at((source,), rod_templates(given["template_places"]), out)
    typed = shlex.join([file, "--out", str(out or "DIR")])
    with looking(given["ledger_url"]) as known:
        proposal = propose_prescription(known, told, sent, now, typed)
    if out is not None and not proposal.refused:
        for path in write_prescriptions(sent):
            say(f"Written: {path}", to_stderr=True)
    return proposal


def _table(file: str, confirm: bool, as_json: bool, given: Mapping[str, Any]) -> None:
    from labkit.tables.text import MOST_BYTES
    from labkit.workflow.intake.prescribed import looked_at, sent_report, write_prescriptions
    from labkit.workflow.intake.prescriptions import read_prescription_table

    if confirm:
        raise InputError(
            "a table of prescriptions records nothing, so there is nothing to confirm; write the "
            "files with --out, and make each set with `labkit make`",
            field="confirm",
        )
    sources = read_prescription_table(bytes_of(file, MOST_BYTES, _DO), file)
    sent = looked_at(sources, rod_templates(given["template_places"]), given["out_dir"])
    if sent.out is not None:
        write_prescriptions(sent)
    print_report(sent_report(sent), as_json)
    if not as_json:
        print_cautions()


def _confirm(proposal: Proposal, given: Mapping[str, Any], as_json: bool) -> None:
    """Run the commands of a proposal, one after another, until one does not end well."""
    if proposal.refused:
        raise RefusedError("\n".join(proposal.refused))
    if proposal.waits and proposal.commands:
        raise RefusedError(f"nothing was recorded: {proposal.waits}")
    if proposal.waits:
        say(f"Nothing was recorded: {proposal.waits}.")
    context = click.get_current_context()
    for one in proposal.commands:
        words = _with_options(one, _asked(one, given, as_json))
        status = context.find_root().command.main(words, standalone_mode=False)
        if status:
            context.exit(status)


def _with_options(command: Command, options: list[str]) -> list[str]:
    """Add options to a command, before a case number that looks like one."""
    at = command.index("--") if "--" in command else len(command)
    return [*command[:at], *options, *command[at:]]


#: Command → the options that it takes over from this one, by the place of their value.
_OWN_FILES = {
    "extra": {"--templates": "template_places", "--processes": "process_places"},
    "prescription": {"--templates": "template_places"},
}


def _asked(command: Command, given: Mapping[str, Any], as_json: bool) -> list[str]:
    """Give the options that the command takes over from this one."""
    options = ["--by", given["by"]]
    if given["ledger_url"]:
        options += ["--ledger", given["ledger_url"]]
    for option, name in _OWN_FILES.get(command[0], {}).items():
        options += [word for place in given[name] for word in (option, place)]
    return [*options, *(["--json"] if as_json else [])]
