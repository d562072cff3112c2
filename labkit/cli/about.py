"""`labkit about`: versions of the program and of everything that decides its results."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

import click
import rich_click

from labkit import __version__
from labkit.catalog.places import templates_dir
from labkit.cli.print_report import print_report
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
    "vtk",
)


@click.command("about", cls=rich_click.RichCommand)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on one line.")
def command(as_json: bool) -> None:
    """Show versions, for a report or for the lab's records.

    Example: labkit about
    """
    found = {"labkit": __version__, "python": platform.python_version()}
    for name in _DECISIVE:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    places = str(templates_dir())
    words = tuple(f"{name:14} {value}" for name, value in {**found, "templates": places}.items())
    data = {"schema": 1, "versions": found, "templates": places}
    print_report(Report("Versions", (Section(words=words),), data), as_json)
