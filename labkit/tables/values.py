"""A table as read from a CSV file: cells that know their place."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from labkit.errors import InputError, InputErrors
from labkit.tables.alike import told_together
from labkit.units import counted

ValueT = TypeVar("ValueT")

#: Long cells are cut in messages; line and column show the rest.
SHOWN_CHARACTERS = 40
#: Nobody reads more than this.
MOST_TOLD = 40


@dataclass(frozen=True)
class Cell:
    """One cell.

    Args:
        text: Its text, without space around it and without the apostrophe that marks text.
        name: Name of the column, as the program knows it.
    """

    text: str
    line: int
    column: int
    name: str


@dataclass(frozen=True)
class TableFile:
    """A table with a header, as read.

    Args:
        header: Names of the columns as written, without space around them.
        rows: The rows that are not blank: known column name → cell. A column that the file does
            not have is not in them.
        delimiter: "," or ";" or a tab.
        decimal: "." or ",", whichever stands in the numbers; "" where no number has one.
        proven: Whether a number of the file shows that this sign does not part thousands.
    """

    name: str
    header: tuple[str, ...]
    rows: tuple[Mapping[str, Cell], ...]
    delimiter: str
    decimal: str
    proven: bool = False

    @property
    def titles(self) -> frozenset[str]:
        """Names of its columns; capitals do not matter."""
        return frozenset(title.strip().casefold() for title in self.header)


def place(file: str, cell: Cell) -> str:
    """Write where a cell is.

    >>> place("study.csv", Cell("36.08", 4, 2, "value"))
    'study.csv:4, column 2 (value)'
    """
    name = f" ({shown(cell.name)})" if cell.name else ""
    return f"{file}:{cell.line}, column {cell.column}{name}"


def problem(cell: Cell, table: TableFile | str, message: str, allowed: str = "") -> InputError:
    """Make the error for one cell.

    Args:
        message: What is wrong, what is allowed, what to do; follows the place.

    Returns:
        An error whose place is "file:line, column n (name)".

    >>> table = TableFile("study.csv", ("value",), (), ";", ".")
    >>> print(problem(Cell("x", 3, 1, "value"), table, '"x" is not a number'))
    study.csv:3, column 1 (value): "x" is not a number
    """
    where = place(table if isinstance(table, str) else table.name, cell)
    return InputError(message, field=cell.name, value=cell.text, allowed=allowed, where=where)


def shown(text: str) -> str:
    r"""Show a cell's text in a message: unprintable characters as codes, cut if long.

    >>> shown("a\tb"), shown("x" * 50)[-3:]
    ('a\\tb', 'xx…')
    """
    text = text if text.isprintable() else text.encode("unicode_escape").decode("ascii")
    return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"


class Mistakes:
    """Collects the errors of one file, so that all are told at once.

    >>> mistakes = Mistakes()
    >>> mistakes.take(int, "7")
    7
    """

    def __init__(self) -> None:
        self.errors: list[InputError] = []

    def add(self, error: InputError) -> None:
        """Keep one error."""
        self.errors.append(error)

    def take(self, reader: Callable[..., ValueT], *arguments: object) -> ValueT | None:
        """Call a reader such as `number`; keep its error."""
        try:
            return reader(*arguments)
        except InputErrors as errors:
            self.errors += [error for error in errors.errors if isinstance(error, InputError)]
        except InputError as error:
            self.errors.append(error)
        return None

    def stop(self) -> None:
        """Go on only if there is no error.

        Raises:
            InputErrors: All of them in the order in which they were found, those of one kind
                together; of many the first 40.
        """
        errors = told_together(self.errors)
        if len(errors) > MOST_TOLD:
            rest = len(errors) - MOST_TOLD
            rest_words = counted(rest, "more mistake")
            more = InputError(f"and {rest_words} in this file; correct these first")
            errors = (*errors[:MOST_TOLD], more)
        if errors:
            raise InputErrors(errors)
