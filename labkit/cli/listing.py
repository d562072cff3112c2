"""What the commands share that list a catalog: rod templates, processes, instruments."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol, TypeVar

from labkit.catalog.named import Named, find
from labkit.cli.print_report import print_report
from labkit.core.jsonable import jsonable
from labkit.core.report import Report, Section, labelled


class Titled(Named, Protocol):
    """Anything with a name and a title."""

    @property
    def title(self) -> str:
        """What people call it."""
        ...


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


def report_about(
    kind: str, thing: Titled, words: Iterable[str], facts: Iterable[tuple[str, str]], **more: Any
) -> Report:
    """Make the report of one thing of a catalog.

    Args:
        facts: Labels and values, printed one below another after the words.
        more: What programs are given beside its fields.
    """
    facts = list(facts)
    width = max(len(label) for label, _ in facts) + 2
    lines = (*words, *labelled(facts, width), "")
    data = {"schema": 1, **jsonable(thing), **more}
    return Report(kind, (Section(f"{thing.name}: {thing.title}", lines),), data)
