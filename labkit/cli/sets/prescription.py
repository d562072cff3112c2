"""`labkit prescription`: start a prescription file, check one, or record a revision."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.catalog.places import templates_dir
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import read_text
from labkit.cli import clock
from labkit.cli.common import BY, LEDGER, RX, TEMPLATES, Run, open_source, print_notes, say
from labkit.cli.print_report import print_report
from labkit.cli.process.notes import note_all
from labkit.cli.record.recording import recording_into, said
from labkit.core.grading.prescription import JawModelName
from labkit.errors import InputError
from labkit.units import counted
from labkit.workflow.sets.cases import open_case


@click.group("prescription", cls=rich_click.RichGroup)
def command() -> None:
    """Start a prescription file, check one, or record a revision."""


@command.command(cls=rich_click.RichCommand)
@click.option(
    "--model",
    type=click.Choice([str(name) for name in JawModelName]),
    default="straight",
    show_default=True,
    help="Jaw model.",
)
@click.option(
    "--out",
    "out_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write here instead of standard output; never over an existing file.",
)
def blank(model: str, out_path: Path | None) -> None:
    """Write a starting file with every key explained; fill in each `nan` and "".

    Example: labkit prescription blank --model hinged --out QF-1043.toml
    """
    text = read_text(templates_dir() / "prescriptions" / f"blank-{model}.toml")
    if out_path is None:
        click.echo(text, nl=False)
        return
    _write_new(out_path, text)
    click.echo(f"Written: {out_path}")


def _write_new(out_path: Path, text: str) -> None:
    """Write a new file.

    Raises:
        InputError: The file is there already or cannot be written.
    """
    try:
        with out_path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError as error:
        raise InputError(
            "is there already; name a new file with --out", where=str(out_path)
        ) from error
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror}); name a writable place with --out",
            where=str(out_path),
        ) from error


@command.command(cls=rich_click.RichCommand)
@RX
@TEMPLATES
def check(prescriptions: tuple[str, ...], template_places: tuple[str, ...]) -> None:
    """Check prescription files: every mistake at once, then the rules of the trade.

    Example: labkit prescription check QF-1043.toml
    """
    run, templates = Run(), rod_templates(template_places)
    for source in run.each(prescriptions):
        with run.reporting(source.name):
            case = open_case(source, templates)
            run.refuse(source.name, case.refusals)
            if case.refusals:
                continue
            click.echo(
                f"{source.name}: usable; {counted(len(case.spacer_set.steps), 'step')} for case "
                f"{case.prescription.case}"
            )
            print_notes(case.spacer_set.findings)
    run.finish(cautions=False)


@command.command(cls=rich_click.RichCommand)
@click.argument("prescription", metavar="RX")
@click.option("--reason", default="", metavar="TEXT", help="Why it is revised; it is recorded.")
@click.option("--despite-trial", is_flag=True,
              help="Record it although it sets aside what an accepted trial fit gave.")
@TEMPLATES
@BY
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object: the case sheet of today.")
def record(
    prescription: str, reason: str, by: str, ledger_url: str | None, as_json: bool, **given: Any
) -> None:
    """Record a revised prescription of a case without making a set.

    A new bite, a remade splint or other anchors change what every rod makes. Prints the case sheet
    of today, with each pair and rod in circulation on the revised prescription.

    Example: labkit prescription record QF-1043.toml --reason "splint remade" --by anna
    """
    from labkit.workflow.record.case_mark import case_mark_notes, case_mark_of
    from labkit.workflow.record.prescribe import record_prescription
    from labkit.workflow.record.sheet import sheet_report
    from labkit.workflow.record.standing import standing_of_case

    source, templates = open_source(prescription), rod_templates(given["template_places"])
    with recording_into(ledger_url, by) as recorder:
        done = record_prescription(
            recorder.ledger, source, templates, reason, (by, clock.now()),
            despite_trial=given["despite_trial"],
        )
        case = done.stored.case
        if recorder.ledger.sets(case):
            print_report(sheet_report(standing_of_case(recorder.ledger, case)), as_json)
        say(done.words, to_stderr=as_json)
        mark = case_mark_of(done.stored)
        note_all(case_mark_notes(recorder.ledger, case, mark), to_stderr=as_json)
        if done.recorded:
            said(recorder, to_stderr=as_json)
