"""What the commands share: reading prescriptions, catalogs, printing errors and findings."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console

from labkit.cli.folding import print_sentence
from labkit.cli.numbers import DAY, Real
from labkit.core.cautions import CAUTIONS_IN_SHORT
from labkit.core.findings import Finding, notes_of
from labkit.core.reasons import check_reason
from labkit.errors import InputError, InputErrors, LabkitError, RefusedError
from labkit.units import as_written

if TYPE_CHECKING:
    from labkit.catalog.toml_source import TomlSource

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

RX = click.argument("prescriptions", metavar="RX...", nargs=-1, required=True)
JSON = click.option(
    "--json", "as_json", is_flag=True, help="One JSON object a line, one for each case."
)


def _own_files(kind: str, kinds: str, words: str) -> Decorator:
    """Give an option for the lab's own files of a kind; the environment may name them as well."""
    return click.option(
        f"--{kinds}", f"{kind}_places", multiple=True, type=click.Path(), metavar="PATH",
        envvar=f"LABKIT_{kinds.upper()}",
        help=f"File or folder of the lab's own {words}; may be repeated.",
    )


PROCESS = click.option(
    "--process",
    "process_name",
    metavar="NAME",
    envvar="LABKIT_PROCESS",
    show_envvar=True,
    help="How the rods are made: machine, material, compensation, bed; default: the process "
    "that the profile names, else nominal size, with a warning.",
)
TEMPLATES = _own_files("template", "templates", "rod templates")
PROCESSES = _own_files("process", "processes", "processes")
INSTRUMENTS = _own_files("instrument", "instruments", "instruments")


def instrument_option(what: str, without: str) -> Decorator:
    """Give the option --instrument.

    Args:
        without: What holds where it is left out.

    Returns:
        The option, which passes `instrument_name`.
    """
    return click.option(
        "--instrument", "instrument_name", metavar="NAME",
        help=f"{what} (`labkit instruments`); without it, {without}.",
    )


def _reason(_: click.Context, __: click.Parameter, again: str | None) -> str | None:
    if again is not None:
        check_reason(again, "why it is measured again, with --again", "again")
    return again


def way_option(words: str) -> Decorator:
    """Give the option --way, which passes a `Method` as `method`, None where it is left out."""
    from labkit.core.gauging.ways_of_measuring import Method  # few commands need the rods for it

    return click.option(
        "--way", "method", type=click.Choice(list(map(str, Method))), metavar="METHOD", help=words,
        callback=lambda _, __, way: way and Method(way),
    )


INSTRUMENT = instrument_option(
    "What the rods are measured with", "the usual gauge of the set's process"
)
PINS = click.option(
    "--pins", "pins_name", metavar="NAME",
    help="The set of gauge pins in use (`labkit instruments`), if the file names none.",
)
USE_BEFORE = click.option(
    "--use-before", type=DAY, metavar="YYYY-MM-DD",
    help="Last day on which the lot named with --lot may be used.",
)


def require_lot(given: Mapping[str, Any]) -> None:
    """Refuse a day until which no lot may be used."""
    if given["use_before"] is not None and not given["lot"]:
        raise InputError(
            "--use-before is of no lot; name it with --lot", field="use_before",
            value=str(given["use_before"]),
        )


AGAIN = click.option(
    "--again", metavar="REASON", callback=_reason,
    help="Measure again what was measured before, and say why.",
)
TEMPERATURE = click.option(
    "--temperature", "temperature_c", metavar="C", type=Real("5", "45"),
    help="Temperature of the rods, °C, if the file gives none; lengths are corrected to 20 °C if "
    "instrument and process files give what that needs.",
)
SET = click.option(
    "--set", "set_name", metavar="NAME",
    help="Which set; default: the most recent one, not counting replacements.",
)
LEDGER = click.option(
    "--ledger",
    "ledger_url",
    metavar="URL",
    envvar="LABKIT_LEDGER",
    show_envvar=True,
    help="The lab's ledger: path of an SQLite file or a database URL; without it, the file in "
    "your data folder.",
)


def operator_option(words: str, **settings: Any) -> Decorator:
    """Give the option --by; the environment may name the operator as well."""
    return click.option(
        "--by", metavar="CODE", envvar="LABKIT_BY", show_envvar=True,
        help=f"Operator code of whoever {words}", **settings,
    )


def sets_option(words: str, *, required: bool = True) -> Decorator:
    """Give the option --out, which passes the folder that holds the sets as `out_dir`."""
    return click.option(
        "--out", "out_dir", required=required, metavar="DIR",
        type=click.Path(path_type=Path, file_okay=False),
        help=f"Folder that holds the sets; {words} a new folder in it.",
    )


BY = operator_option("does it; it is recorded.", required=True)
PROFILE = click.option(
    "--profile",
    "profile_path",
    metavar="FILE",
    envvar="LABKIT_PROFILE",
    help="The lab's profile: name, address, logo, paper, own words and templates.",
)


@contextmanager
def counting(words: str, total: int | None = None) -> Iterator[Callable[[str], None]]:
    """Show a progress bar on standard error.

    Args:
        total: How many pieces there are, None if not known beforehand.

    Yields:
        A function to be told of each piece that is done.
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=err(), transient=True) as bar:
        task = bar.add_task(words, total=total)
        yield lambda _: bar.advance(task)


def say(sentence: str, *, to_stderr: bool = False) -> None:
    """Print a sentence as it is: on one line, on a terminal in lines of whole words."""
    print_sentence(err() if to_stderr else out(), sentence)


def print_problems(problems: Iterable[str]) -> None:
    """Print what this machine could not make, a line each."""
    for problem in problems:
        say(f"Note: {problem}")


def out() -> Console:
    """Give the console for results (standard output)."""
    return Console(highlight=False, soft_wrap=False, emoji=False)


def err() -> Console:
    """Give the console for progress and errors (standard error)."""
    return Console(stderr=True, highlight=False, soft_wrap=True, emoji=False)


def open_source(name: str) -> TomlSource:
    """Read a prescription named on the command line.

    Args:
        name: A path, or "-" for standard input.

    Returns:
        The file with line numbers.

    Raises:
        InputError: It cannot be read or is not TOML.
    """
    from labkit.catalog.toml_source import MOST_BYTES, decode, parse_toml, read_text

    if name == "-":
        raw = sys.stdin.buffer.read(MOST_BYTES + 1)
        return parse_toml(decode(raw, "standard input"), "standard input")
    return parse_toml(read_text(Path(name)), name)


def print_error(error: LabkitError) -> None:
    """Print an error as its sentences, one line each, on standard error."""
    for line in str(error).splitlines():
        print_sentence(err(), f"labkit: {line}", "red" if sys.stderr.isatty() else None)


class Run:
    """Does one job for each of several prescriptions and remembers the gravest exit status."""

    def __init__(self) -> None:
        self.exit_code = 0
        self.done = 0

    def each(self, names: Iterable[str]) -> Iterator[TomlSource]:
        """Yield every prescription that can be read; report the others."""
        for name in names:
            with self.reporting():
                yield open_source(name)

    @contextmanager
    def reporting(self, name: str = "") -> Iterator[None]:
        """Report a LabkitError raised in the block and go on with the next case.

        Args:
            name: Prescription at work, named in the sentence where it names no place itself.
        """
        try:
            yield
        except LabkitError as error:
            if not isinstance(error, InputErrors) and not error.where:
                error.where = name
            print_error(error)
            self.exit_code = max(self.exit_code, error.exit_code)

    def refuse(self, name: str, findings: Iterable[Finding]) -> None:
        """Print the findings that stop a set on standard error, and remember them."""
        for finding in findings:
            print_error(RefusedError(finding.message, where=name))
            self.exit_code = max(self.exit_code, RefusedError.exit_code)

    def finish(self, *, cautions: bool) -> None:
        """Show the cautions if anything was shown or made; leave with the gravest exit status."""
        if cautions and self.done:
            print_cautions()
        if self.exit_code:
            click.get_current_context().exit(self.exit_code)


def print_json(value: Any) -> None:
    """Print one JSON object on one line of standard output."""
    click.echo(json.dumps(as_written(value), ensure_ascii=False, allow_nan=False))


def print_notes(findings: Iterable[Finding]) -> None:
    """Print the findings that do not stop a set, a line each, on standard output."""
    print_problems(finding.message for finding in notes_of(findings))


def print_cautions() -> None:
    """Print the cautions in short, which end every run of the main job."""
    say(CAUTIONS_IN_SHORT)
