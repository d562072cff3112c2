"""Prints a report on the screen, or as one JSON object."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table as ScreenTable
from rich.text import Text

from labkit.cli.common import out, print_json
from labkit.cli.folding import folded, print_sentence
from labkit.core.report import On, Report, Table, data_of, is_number_column

#: Longer cells may take several lines.
_LONG = 34
#: A table of more rows is printed at once: laying out cell by cell takes seconds for thousands.
_MANY = 200
#: No cell is folded into narrower lines than this.
_NARROWEST = 12
#: Wider than any table.
_WIDEST = 1000


def print_report(
    report: Report, as_json: bool = False, more: Mapping[str, Any] | None = None
) -> None:
    """Print a report for people, or what programs are given of it.

    Args:
        more: What programs are given besides.
    """
    if as_json:
        print_json(data_of({**report.data, **(more or {})}))
    else:
        show_report(report)


def show_report(report: Report, console: Console | None = None) -> None:
    """Print a report for people: section by section, tables before their sentences.

    Args:
        console: Where to; None for standard output.
    """
    console = console or out()
    for section in report.parts(On.SCREEN, On.COMMANDS):
        heading = section.brief or section.heading
        if section.table is not None:
            print_table(heading, section.table, console)
        elif heading:
            print_sentence(console, heading, "bold")
        for words in section.words:
            print_sentence(console, words)
        for finding in section.findings:
            print_sentence(console, f"{finding.severity.head}: {finding.message}")


def print_table(title: str, table: Table, console: Console | None = None) -> None:
    """Print a table, words to the left and numbers to the right; nothing without rows."""
    shown = table.shown(On.SCREEN)
    if not shown.rows:
        return
    texts, console = shown.texts, console or out()
    if len(texts) > _MANY and _print_at_once(title, shown.heads, texts, console):
        return
    screen = _screen_table(title, shown, texts)
    least = _least_width(screen, console)
    if least > console.width and console.is_terminal:
        screen = _screen_table(title, shown, _narrowed(shown.heads, texts, least - console.width))
        least = _least_width(screen, console)
        if least > console.width:
            _print_row_by_row(title, shown, console)
            return
    # A screen breaks a line that is too long for it; half a number would be another number.
    if least > console.width:
        screen.width = least
    console.print(screen, crop=False)


def _least_width(screen: ScreenTable, console: Console) -> int:
    return Measurement.get(console, console.options.update(max_width=_WIDEST), screen).minimum


def _screen_table(title: str, shown: Table, texts: Sequence[Sequence[str]]) -> ScreenTable:
    screen = ScreenTable(
        box=box.SIMPLE_HEAD, title=title, title_justify="left", title_style="bold",
        padding=(0, 1, 0, 0), min_width=len(title),
    )
    for number, head in enumerate(shown.heads):
        cells = [row[number] for row in texts]
        long = any(len(cell) > _LONG for cell in cells)
        lines = (line for text in (head, *cells) for line in text.splitlines())
        widest = max(map(cell_len, lines), default=0)
        screen.add_column(
            head, justify="right" if is_number_column(cells) else "left", no_wrap=not long,
            overflow="fold", min_width=None if long else widest,
        )
    for number, row in enumerate(texts):
        screen.add_row(*map(Text, row), style="bold" if number in shown.bold else None)
    return screen


def _narrowed(
    heads: Sequence[str], texts: Sequence[Sequence[str]], surplus: int
) -> Sequence[Sequence[str]]:
    """Fold cells between words, those of the widest column first, to save so many columns."""
    columns = [list(column) for column in zip(*texts, strict=True)]
    widths = [max(map(cell_len, column)) for column in columns]
    for number in sorted(range(len(columns)), key=lambda one: -widths[one]):
        if surplus <= 0:
            break
        least = max(map(cell_len, heads[number].splitlines()), default=0)
        wanted = max(least, widths[number] - surplus, _NARROWEST)
        columns[number] = [folded(cell, wanted) for cell in columns[number]]
        surplus -= widths[number] - max(
            least, *(cell_len(line) for cell in columns[number] for line in cell.splitlines())
        )
    return list(zip(*columns, strict=True))


def _print_row_by_row(title: str, shown: Table, console: Console) -> None:
    """Print a table that is wider than the terminal a cell a line, broken between words alone."""
    print_sentence(console, title, "bold")
    heads = [" ".join(head.split()) for head in shown.heads]
    for number, row in enumerate(shown.texts):
        console.print()
        style = "bold" if number in shown.bold else None
        for head, cell in zip(heads, row, strict=True):
            if cell:
                named = f"{head}: {cell}" if head else cell
                print_sentence(console, named, style)
    console.print()


def _print_at_once(
    title: str, heads: tuple[str, ...], texts: tuple[tuple[str, ...], ...], console: Console
) -> bool:
    """Print a long table as it would be printed cell by cell, where no line has to be folded.

    Returns:
        Whether it was.
    """
    above = [head.split("\n") for head in heads]
    deepest = max(map(len, above))
    # A short heading stands at the bottom, as beside it the last line of a longer one.
    head_lines = list(zip(*([""] * (deepest - len(lines)) + lines for lines in above), strict=True))
    columns = list(zip(*head_lines, *texts, strict=True))
    widths = [max(map(cell_len, column)) for column in columns]
    if sum(widths) + 2 * len(widths) > console.width:
        return False
    right = [is_number_column(column[deepest:]) for column in columns]

    def line(cells: tuple[str, ...]) -> str:
        padded = (
            f"{' ' * (width - cell_len(cell))}{cell}" if to_right
            else f"{cell}{' ' * (width - cell_len(cell))}"
            for cell, width, to_right in zip(cells, widths, right, strict=True)
        )
        return f" {'  '.join(padded)}  "

    rule = f" {'─' * (sum(widths) + 2 * len(widths) - 1)} "
    blank = " " * len(rule)
    console.out(title.ljust(len(rule)), style="bold", highlight=False)
    lines = (blank, *map(line, head_lines), rule, *map(line, texts), blank)
    console.out("\n".join(lines), highlight=False)
    return True
