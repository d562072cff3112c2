"""A result for people as one value; screen, paper and `--json` print it, each in its own way."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from operator import attrgetter
from typing import Any

from labkit.core.findings import Finding
from labkit.core.jsonable import jsonable
from labkit.errors import InputError

#: What stands in a column of numbers: signs, digits, units of share, a range.
_NUMBER = re.compile(
    r"[<>≤≥±]?\s?[+−-]?([\d.,  ]+[LR]?|∞)(\s?%)?( ?(to|…|of|–) ?[+−-]?[\d.,]+)?"
    r"( per million)?|[–—-]?|none"
)


class On(Enum):
    """Where a part of a report is printed."""

    EVERY = "every"
    SCREEN = "screen"
    PAPER = "paper"
    #: On the command line alone: sentences that name commands.
    COMMANDS = "commands"


@dataclass(frozen=True)
class Column:
    """One column of a table: the same cells for people and for programs.

    Args:
        heading: What stands above it; None where people are not shown it.
        of: Where the cell is in what a row is about: a name such as "made.percent", or a function.
        key: Its key for programs, with points where tables lie in each other; None: the name in
            `of`; "": programs are not given it.
        show: Writes a cell for people, with its precision.
        unit: Of the numbers as shown; stands below a heading that ends with a line's end.
        unknown: What people read where a cell is None.
        optional: Whether people are spared the column where no row knows anything.
    """

    heading: str | None
    of: str | Callable[[Any], Any] = ""
    key: str | None = None
    show: Callable[[Any], str] = str
    unit: str = ""
    unknown: str = "–"
    optional: bool = False
    on: On = On.EVERY

    @property
    def head(self) -> str:
        """The heading with its unit."""
        heading = self.heading or ""
        between = ", " if self.unit and not heading.endswith("\n") else ""
        return f"{heading}{between}{self.unit}"

    @property
    def path(self) -> str:
        """The key for programs."""
        if self.key is not None:
            return self.key
        return self.of if isinstance(self.of, str) else ""

    def cell(self, item: Any) -> Any:
        """Take the cell out of what a row is about."""
        return attrgetter(self.of)(item) if isinstance(self.of, str) else self.of(item)

    def text(self, cell: Any) -> str:
        """Write a cell for people."""
        return self.unknown if cell is None else self.show(cell)


@dataclass(frozen=True)
class Table:
    """Rows of values under columns.

    Args:
        rows: As many cells each as there are columns.
        bold: Numbers of the rows that stand out.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]
    bold: Collection[int] = ()

    def __post_init__(self) -> None:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise InputError(
                f"a table of {len(self.columns)} columns has a row of another number of cells; "
                "give every row as many cells as there are columns", field="rows",
            )

    @classmethod
    def of(
        cls, columns: Sequence[Column], items: Iterable[Any], bold: Collection[int] = ()
    ) -> Table:
        """Make a table with a row for each item, cells taken out of it by the columns."""
        rows = tuple(tuple(each.cell(item) for each in columns) for item in items)
        return cls(tuple(columns), rows, bold)

    def shown(self, on: On = On.EVERY) -> Table:
        """Give the table with the columns that people are shown there."""
        kept = [
            number for number, column in enumerate(self.columns)
            if column.heading is not None and column.on in (On.EVERY, on)
            and not (column.optional and all(row[number] is None for row in self.rows))
        ]
        rows = tuple(tuple(row[number] for number in kept) for row in self.rows)
        return Table(tuple(self.columns[number] for number in kept), rows, self.bold)

    @property
    def heads(self) -> tuple[str, ...]:
        """The headings."""
        return tuple(column.head for column in self.columns)

    @property
    def texts(self) -> tuple[tuple[str, ...], ...]:
        """The rows as people read them."""
        return tuple(
            tuple(column.text(cell) for column, cell in zip(self.columns, row, strict=True))
            for row in self.rows
        )

    @property
    def records(self) -> list[dict[str, Any]]:
        """The rows for programs: cells by their keys."""
        return [self._record(row) for row in self.rows]

    def cells(self, name: str) -> tuple[Any, ...]:
        """Give the cells of the column with this heading or key."""
        place = next(n for n, each in enumerate(self.columns) if name in (each.heading, each.path))
        return tuple(row[place] for row in self.rows)

    def numbered(self, heading: str) -> Table:
        """Give the table with the rows' numbers, from 1, as its first column."""
        rows = tuple((number, *row) for number, row in enumerate(self.rows, 1))
        return Table((Column(heading), *self.columns), rows, self.bold)

    def _record(self, row: Sequence[Any]) -> dict[str, Any]:
        record: dict[str, Any] = {}
        for column, cell in zip(self.columns, row, strict=True):
            if column.path:
                *outer, last = column.path.split(".")
                inner = record
                for name in outer:
                    inner = inner.setdefault(name, {})
                inner[last] = cell
        return record


@dataclass(frozen=True)
class Plot:
    """A picture that is drawn when somebody wants it.

    Args:
        name: Name of its files, without ending.
        draw: Draws it: content by ending, "svg" and "png".
        alt: What it shows, for people who cannot see it.
    """

    name: str
    draw: Callable[[], Mapping[str, bytes]] = field(repr=False)
    alt: str

    def __post_init__(self) -> None:
        if not self.alt:
            raise InputError(
                f"the picture {self.name!r} has no words for people who cannot see it; say what it "
                "shows", field="alt",
            )

    @cached_property
    def files(self) -> dict[str, bytes]:
        """The picture as files by name."""
        return {f"{self.name}.{ending}": content for ending, content in self.draw().items()}


@dataclass(frozen=True)
class Section:
    """One part of a report; one without a heading goes on with what stands before it.

    Args:
        words: Sentences: on paper above the table, on a screen below it.
        notes: What explains the part, for paper; a screen goes without.
        findings: Findings that stand here and not on top.
        brief: Heading on a screen, where it is another.
    """

    heading: str = ""
    words: tuple[str, ...] = ()
    table: Table | None = None
    plot: Plot | None = None
    notes: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    on: On = On.EVERY
    brief: str = ""


@dataclass(frozen=True)
class Report:
    """A whole result.

    Args:
        title: Title, such as "Capability of a process".
        sections: The parts, in order.
        data: What programs are given, by key.
        findings: What to know before reading on.
        subtitle: What it is about, such as the process's name.
        facts: Labels and values that stand first on paper.
        date: Day of the paper, such as 2031-03-14; "" where there is none.
        name: File name of the paper, without ending.
    """

    title: str
    sections: tuple[Section, ...]
    data: Mapping[str, Any] = field(default_factory=dict, repr=False)
    findings: tuple[Finding, ...] = ()
    subtitle: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    date: str = ""
    name: str = "report"

    def parts(self, *on: On) -> tuple[Section, ...]:
        """Give the sections that are printed there."""
        return tuple(section for section in self.sections if section.on in (On.EVERY, *on))

    def table(self, heading: str) -> Table:
        """Give the table under a heading."""
        return next(s.table for s in self.sections if s.heading == heading and s.table)

    @property
    def words(self) -> str:
        """All sentences and headings, a line each: what a test looks into."""
        lines = [each.message for each in self.findings]
        for section in self.sections:
            lines += [section.heading, *section.words, *(each.message for each in section.findings)]
        return "\n".join(lines)


def data_of(data: Mapping[str, Any]) -> dict[str, Any]:
    """Give what programs are given as plain JSON content; what is infinite is null."""
    finite: dict[str, Any] = _finite(jsonable(dict(data)))
    return finite


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _finite(item) for name, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and math.isinf(value) else value


def only(*names: str) -> tuple[Column, ...]:
    """Give columns of these names for programs alone."""
    return tuple(Column(None, name) for name in names)


def labelled(facts: Iterable[tuple[str, str]], width: int) -> tuple[str, ...]:
    """Write labels with what belongs to them, a line each, one below another."""
    return tuple(f"  {label:{width}} {value}" for label, value in facts)


def is_number_column(cells: Iterable[str]) -> bool:
    """Tell whether all cells of a column are numbers, ranges, shares or a dash.

    >>> is_number_column(["1.33", "0.98 to 1.70", "–"]), is_number_column(["B-17", "3"])
    (True, False)
    """
    return all(_NUMBER.fullmatch(cell) for cell in cells)
