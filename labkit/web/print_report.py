"""Prints a report as a part of a page: the fourth printer of `Report`."""

from __future__ import annotations

import base64
import threading
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from labkit.core.findings import Finding
from labkit.core.report import On, Plot, Report, Section, Table, is_number_column
from labkit.web.said import as_said

#: Charts are drawn one after the other: their style is set for the whole program.
_ONE_PEN = threading.Lock()


@dataclass(frozen=True)
class ShownTable:
    """A table as a page shows it.

    Args:
        numbers: For each column, whether it stands to the right.
        rows: Cells, and whether the row stands out.
    """

    heads: tuple[str, ...]
    numbers: tuple[bool, ...]
    rows: tuple[tuple[tuple[str, ...], bool], ...]


@dataclass(frozen=True)
class ShownSection:
    """A section as a page shows it: table or picture before their sentences, as on a screen."""

    heading: str
    table: ShownTable | None
    picture: tuple[str, str] | None
    words: tuple[str, ...]
    findings: tuple[tuple[str, str], ...]


def report_facts(report: Report) -> tuple[ShownSection, ...]:
    """Give the sections of a report, for the template `report`."""
    return tuple(_sections(report))


def _sections(report: Report) -> Iterator[ShownSection]:
    drawn = {each.plot.name for each in report.parts(On.SCREEN) if each.plot}
    for section in (
        _on_a_page(each, drawn) for each in report.parts(On.SCREEN, On.PAPER)
    ):
        shown = _section(section)
        if shown.heading or shown.table or shown.picture or shown.words or shown.findings:
            yield shown


def _on_a_page(section: Section, drawn: Collection[str]) -> Section:
    """Give what a page shows: what a screen does, and the pictures that only paper has."""
    if section.on is not On.PAPER:
        return section
    own = section.plot is not None and section.plot.name not in drawn
    return Section(section.heading, plot=section.plot) if own else Section()


def _section(section: Section) -> ShownSection:
    table = table_facts(section.table) if section.table is not None else None
    # A heading of rows stands above no sentences where there are none.
    heading = "" if table and not table.rows else section.brief or section.heading
    return ShownSection(
        heading,
        table if table and table.rows else None,
        _picture(section.plot) if section.plot is not None else None,
        tuple(map(as_said, filter(None, section.words))),
        tuple(map(finding_facts, section.findings)),
    )


def finding_facts(finding: Finding) -> tuple[str, str]:
    """Give a finding's word and sentence."""
    return finding.severity.head, as_said(finding.message)


def table_facts(table: Table) -> ShownTable:
    """Give a table as a page shows it."""
    shown = table.shown(On.SCREEN)
    texts = shown.texts
    numbers = tuple(
        bool(texts) and is_number_column([row[place] for row in texts])
        for place in range(len(shown.columns))
    )
    rows = tuple(
        (tuple(map(as_said, row)), number in shown.bold) for number, row in enumerate(texts)
    )
    return ShownTable(shown.heads, numbers, rows)


def _picture(plot: Plot) -> tuple[str, str]:
    """Give a chart as a picture that the page carries itself, and its words."""
    with _ONE_PEN:
        svg = plot.files[f"{plot.name}.svg"]
    return f"data:image/svg+xml;base64,{base64.b64encode(svg).decode()}", plot.alt
