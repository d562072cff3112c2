"""The report of one thing of a catalog: a rod template, a process, an instrument."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol

from labkit.catalog.named import Named
from labkit.core.jsonable import jsonable
from labkit.core.report import Report, Section, labelled


class Titled(Named, Protocol):
    """Anything with a name and a title."""

    @property
    def title(self) -> str:
        """What people call it."""
        ...


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
