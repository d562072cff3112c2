"""The columns of a kind of table: one row for each says what it means and how it is read."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from labkit.tables.file import read_table
from labkit.tables.values import Cell, Mistakes, TableFile


@dataclass(frozen=True)
class Column:
    """One column.

    Args:
        read: Turns a cell into a value, such as `partial(number, low=0, high=5)`; None where the
            column is known and passed over.
        filled: Whether every cell of it says something, where the table has the column.
        sign: Whether its cells show the table's decimal sign.
    """

    name: str
    meaning: str
    read: Callable[[Cell, TableFile], Any] | None = None
    filled: bool = False
    sign: bool = False


def read_columns(
    raw: bytes, name: str, columns: Sequence[Column], needed: Collection[str], *,
    ignore_others: bool = False,
) -> TableFile:
    """Read a table of these columns; see `read_table`.

    Args:
        needed: Names of those that must be there, in the order in which they are told.
    """
    return read_table(
        raw, name, needed, [one.name for one in columns if one.name not in needed],
        numbers=[one.name for one in columns if one.sign], ignore_others=ignore_others,
    )


def row_values(
    row: Mapping[str, Cell], table: TableFile, columns: Sequence[Column], mistakes: Mistakes
) -> dict[str, Any] | None:
    """Read the cells of one row.

    Returns:
        Values by the name of their column, None for an empty cell or an absent column; None in
        all where a cell is wrong.
    """
    before = len(mistakes.errors)
    values = {
        one.name: mistakes.take(one.read, cell, table)
        if (cell := row.get(one.name)) is not None and (cell.text or one.filled) else None
        for one in columns if one.read is not None
    }
    return values if len(mistakes.errors) == before else None
