"""`labkit prescription`: start a prescription file, or check one."""

from __future__ import annotations

from pathlib import Path

import click
import rich_click

from labkit.catalog.places import templates_dir
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import read_text
from labkit.cli.common import RX, TEMPLATES, Run, print_notes
from labkit.core.grading.prescription import JawModelName
from labkit.errors import InputError
from labkit.units import counted
from labkit.workflow.sets.cases import open_case


@click.group("prescription", cls=rich_click.RichGroup)
def command() -> None:
    """Start a prescription file, or check one."""


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
    """Write a commented starting file; `nan` and "" stand where a value has to be filled in.

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
