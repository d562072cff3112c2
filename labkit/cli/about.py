"""`labkit about`: versions of the program and of everything that decides its results."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

import click
import rich_click

from labkit import __version__
from labkit.catalog.places import templates_dir
from labkit.cli.common import LEDGER
from labkit.cli.print_report import print_report
from labkit.commit import commit
from labkit.core.report import Report, Section

#: Libraries whose version can change a number or a byte.
_DECISIVE = (
    "cadquery",
    "cadquery-ocp",
    "ezdxf",
    "fonttools",
    "lib3mf",
    "manifold3d",
    "matplotlib",
    "numpy",
    "segno",
    "typst",
)


@click.command("about", cls=rich_click.RichCommand)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(ledger_url: str | None, as_json: bool) -> None:
    """Show versions and which ledger is in use, for a report or for the lab's records.

    Example: labkit about
    """
    found = {
        "labkit": __version__, "commit": commit() or "not known",
        "python": platform.python_version(),
    }
    for name in _DECISIVE:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    places, ledger = str(templates_dir()), _ledger(ledger_url)
    shown = {**found, "templates": places, **({"ledger": ledger} if ledger else {})}
    words = tuple(f"{name:14} {value}" for name, value in shown.items())
    data = {"schema": 1, "versions": found, "templates": places, "ledger": ledger}
    print_report(Report("Versions", (Section(words=words),), data), as_json)


def _ledger(url: str | None) -> str | None:
    """Say which ledger the others would use, None where there is none."""
    from labkit.ledger.place import is_absent

    if is_absent(url):
        return None
    from labkit.ledger.identity import identity_of, identity_words
    from labkit.ledger.store import look_into

    with look_into(url) as reader:
        return f"{reader.place}: {identity_words(identity_of(reader))}"
