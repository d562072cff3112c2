"""The command `labkit`: finds the command asked for and turns errors into sentences."""

from __future__ import annotations

import functools
import importlib
import importlib.util
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import click
import rich_click

from labkit import __version__
from labkit.cli.common import print_error
from labkit.cli.ending import (
    NotShownError,
    end,
    end_interrupted,
    interrupted,
    keep_ctrl_c,
    leave,
    not_shown,
    plain_streams,
    unforeseen,
)
from labkit.done import begin
from labkit.errors import EXIT_REFUSED, EXIT_UNREADABLE, LabkitError
from labkit.scratch import sweep

#: Who uses them → command name → module that holds a click command named `command`.
_FOR = {
    "The technician makes sets and rods": {
        "prescription": "labkit.cli.sets.prescription",
        "lengths": "labkit.cli.sets.lengths",
        "make": "labkit.cli.sets.make",
        "batch": "labkit.cli.sets.batch",
        "plate": "labkit.cli.sets.plate",
        "worker": "labkit.cli.sets.worker",
        "papers": "labkit.cli.sets.papers",
        "extra": "labkit.cli.rods.extra",
        "order": "labkit.cli.rods.order",
        "reject": "labkit.cli.rods.reject",
        "replace": "labkit.cli.rods.replace",
        "rod": "labkit.cli.rods.rod",
        "templates": "labkit.cli.sets.templates",
    },
    "The dentist asks and decides": {
        "trial": "labkit.cli.rods.trial",
        "sheet": "labkit.cli.record.sheet",
        "show": "labkit.cli.record.show",
        "find": "labkit.cli.rods.find",
    },
    "The clinic reports": {
        "clinic-sheet": "labkit.cli.clinic.clinic_sheet",
        "intake": "labkit.cli.clinic.intake",
    },
    "Quality assurance measures and releases": {
        "limits": "labkit.cli.inspection.limits",
        "inspect": "labkit.cli.inspection.inspect",
        "measure": "labkit.cli.inspection.measure",
        "release": "labkit.cli.inspection.release",
        "use-as-is": "labkit.cli.inspection.use_as_is",
        "certificate": "labkit.cli.inspection.certificate",
        "instruments": "labkit.cli.inspection.instruments",
    },
    "The process": {
        "capability": "labkit.cli.process.capability",
        "chart": "labkit.cli.process.chart",
        "gauge-study": "labkit.cli.process.gauge_study",
        "coupons": "labkit.cli.process.coupons",
        "calibrate": "labkit.cli.process.calibrate",
        "processes": "labkit.cli.process.processes",
        "rejects": "labkit.cli.process.rejects",
    },
    "The record": {
        "cases": "labkit.cli.record.cases",
        "history": "labkit.cli.record.history",
        "recall": "labkit.cli.record.recall",
        "ledger": "labkit.cli.record.ledger",
    },
    "In the browser": {
        "serve": "labkit.cli.serve",
        "accounts": "labkit.cli.accounts",
    },
    "To begin with": {
        "guide": "labkit.cli.guide",
        "demo": "labkit.cli.sets.demo",
        "about": "labkit.cli.about",
    },
}
_COMMANDS = {name: module for group in _FOR.values() for name, module in group.items()}


class Commands(rich_click.RichGroup):
    """A group that imports a command only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """List the commands by who uses them."""
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Give a command for the list of them: its name and first sentence, nothing imported."""
        module = _COMMANDS.get(cmd_name)
        return None if module is None else click.Command(cmd_name, help=_first_sentence(module))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command, or name the one most like a typing slip.

        Args:
            args: The rest of it, the name of the command first.

        Raises:
            UsageError: There is no such command.
        """
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in _COMMANDS:
            from labkit.core.form.words import nearest

            near = nearest(name, _COMMANDS)
            hint = f"did you mean `{near}`?" if near else f"known are {', '.join(_COMMANDS)}"
            raise click.UsageError(f"`{name}` is not a command; {hint}", ctx)
        if name not in _COMMANDS:
            return super().resolve_command(ctx, args)
        return name, importlib.import_module(_COMMANDS[name]).command, args[1:]

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; an error becomes its sentences and its exit status."""
        begin()
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit):
            raise
        except (KeyboardInterrupt, click.Abort):
            end_interrupted()
        except Exception as error:
            if interrupted(error):
                end_interrupted()
            if isinstance(error, NotShownError):
                not_shown(error)
            if ctx.params.get("traceback"):
                raise
            told, status = _told(error)
            print_error(told)
            ctx.exit(status)


@functools.cache
def _first_sentence(module: str) -> str:
    """Read the first sentence of a command's help in its source: importing all takes 0.4 s."""
    found = importlib.util.find_spec(module)
    source = Path(found.origin).read_text("utf-8") if found and found.origin else ""
    written = re.search(r'(?ms)^def command\(.*?\) -> None:\n    """(.*?)$', source)
    return written[1].removesuffix('"""') if written else ""


def _told(error: Exception) -> tuple[LabkitError, int]:
    """Give what is said of an error, and the exit status."""
    if isinstance(error, LabkitError):
        return error, error.exit_code
    if isinstance(error, ImportError):
        return LabkitError(
            f"a library cannot be loaded ({error}); install labkit again, and on Linux the "
            "system library that is named (Debian: apt install libgl1 libegl1)"
        ), EXIT_UNREADABLE
    return LabkitError(unforeseen(error)), EXIT_REFUSED


def _in_panels(command: Callable[..., None]) -> Callable[..., None]:
    for who in reversed(_FOR):
        command = rich_click.command_panel(who, commands=list(_FOR[who]))(command)
    return command


@rich_click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@_in_panels
@click.option("--traceback", is_flag=True, help="Show the program's own trace with an error.")
@click.version_option(__version__, prog_name="labkit")
def cli(traceback: bool) -> None:
    """Make, measure and release graded connector rods for mandibular advancement appliances.

    Begin with `labkit guide first-set`. Every command has --help with an example.

    Exit status: 0 done, 1 refused by a rule of the trade, 2 input that cannot be read,
    130 stopped by Ctrl-C.
    """


#: Help of fewer columns would cut options and long words; a narrower screen breaks its lines.
_LEAST_HELP_WIDTH = 72


def main() -> None:
    """Run the command line; whatever happens, its end is one of three and says which."""
    keep_ctrl_c()
    if shutil.get_terminal_size().columns < _LEAST_HELP_WIDTH:
        rich_click.rich_click.WIDTH = rich_click.rich_click.MAX_WIDTH = _LEAST_HELP_WIDTH
    try:
        _run()
    except SystemExit as ending:
        leave(ending)


def _run() -> None:
    try:
        plain_streams()
        sweep()
        cli()
    except SystemExit as ending:
        end(ending.code if isinstance(ending.code, int) else int(bool(ending.code)))
    except KeyboardInterrupt:
        end_interrupted()
    except NotShownError as error:
        not_shown(error)
