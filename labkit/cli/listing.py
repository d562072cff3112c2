"""What the commands share that list a catalog: rod templates, processes, instruments."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from labkit.catalog.named import find
from labkit.cli.print_report import print_report
from labkit.core.report import Report
from labkit.documents.listing import Titled

TitledT = TypeVar("TitledT", bound=Titled)


def print_named(
    kind: str, known: Mapping[str, TitledT], names: Iterable[str],
    report_of: Callable[[TitledT], Report], as_json: bool,
) -> None:
    """Print a report of each thing that is named, of all where none is.

    Raises:
        InputError: There is none of a name.
    """
    for thing in [find(kind, known, name) for name in names] or known.values():
        print_report(report_of(thing), as_json)
