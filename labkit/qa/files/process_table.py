"""A sample from a plain table of values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial

from labkit.core.form.numbers import could_be_thousands
from labkit.errors import InputError
from labkit.qa.process.capability import Limits
from labkit.qa.process.sample import Grouping, Sample
from labkit.tables.cells import number
from labkit.tables.columns import Column, read_columns, row_values
from labkit.tables.values import Cell, Mistakes, TableFile, problem
from labkit.units import plain

#: Larger than anything a gauge shows in any unit.
_MOST = 10**9
#: A value further outside than this many times the limits' distance is a slip of typing.
_FAR = 50
_SIGNS = {"point": ".", "comma": ","}
#: Fewer groups than this are shown as a comparison; more are runs, not groups.
_MOST_GROUPS = 60


@dataclass(frozen=True)
class Columns:
    """What to read from a table.

    Args:
        value: The column of values; others are passed over.
        subgroup: Column that marks what was made under the same conditions, None for none.
        decimal: "point" or "comma" where the table leaves it open whether a sign parts
            thousands; None to go by the table.
    """

    value: str = "value"
    subgroup: str | None = None
    decimal: str | None = None


def sample_of_table(
    raw: bytes, name: str, limits: Limits | None, columns: Columns | None = None
) -> Sample:
    r"""Read a sample from a table, one value a line, in the order in which they were made.

    Returns:
        The sample; a value is named by its line.

    Raises:
        InputErrors: Every mistake in the table, with line and column.
        InputError: Values and subgroups are the same column.

    >>> sample_of_table(b"value\n9.8\n10.1\n", "v.csv", None).values
    (9.8, 10.1)
    """
    columns = columns or Columns()
    column = columns.value.strip().casefold()
    mark = None if columns.subgroup is None else columns.subgroup.strip().casefold()
    if column == mark:
        raise InputError(
            f"the column `{column}` cannot hold values and subgroups at once; name two columns",
            field="subgroup", value=mark,
        )
    value_column = Column(
        column, "the values", partial(_value, limits=limits), filled=True, sign=True
    )
    mark_column = Column(mark or "", "what was made under the same conditions", _mark, filled=True)
    wanted = [value_column] if mark is None else [value_column, mark_column]
    table = _decided(
        read_columns(raw, name, wanted, [one.name for one in wanted], ignore_others=True),
        columns.decimal,
    )
    _require_clear_sign(table, column, *_bounds(limits))
    clear, mistakes = replace(table, proven=True), Mistakes()
    rows = [row_values(row, clear, wanted, mistakes) for row in table.rows]
    mistakes.stop()
    found = [row for row in rows if row is not None]
    first = table.rows[0]
    groups = None if mark is None else Grouping(
        _title(table, first[mark]), tuple(row[mark] for row in found)
    )
    shown = groups is not None and 1 < len(groups.groups) <= _MOST_GROUPS
    return Sample(
        title=_title(table, first[column]),
        unit="",
        values=tuple(float(row[column]) for row in found),
        names=tuple(f"line {row[column].line}" for row in table.rows),
        limits=limits,
        about=(("File", name), ("Column", _title(table, first[column]))),
        groupings=(groups,) if shown and groups else (),
        subgroups=groups,
    )


def _value(cell: Cell, table: TableFile, limits: Limits | None) -> Decimal:
    value, (low, high) = number(cell, table, -_MOST, _MOST), _bounds(limits)
    if limits is not None and not low <= value <= high:
        raise problem(
            cell, table, f"{cell.text} lies outside of the limits {_end(limits.lower)} to "
            f"{_end(limits.upper)} by more than {_FAR} times their distance: correct the value, "
            "or the limits if they are meant for other values",
        )
    return value


def _mark(cell: Cell, table: TableFile) -> str:
    if not cell.text:
        raise problem(cell, table, "is empty; mark every value's subgroup")
    return cell.text


def _title(table: TableFile, cell: Cell) -> str:
    """Give the name of a cell's column as the table writes it."""
    return table.header[cell.column - 1].removeprefix("'").strip()


def _bounds(limits: Limits | None) -> tuple[float, float]:
    """Say which values can be meant; with both limits, what is far outside is a typing slip."""
    if limits is None or limits.lower is None or limits.upper is None:
        return -_MOST, _MOST
    far = _FAR * (limits.upper - limits.lower)
    return limits.lower - far, limits.upper + far


def _end(limit: float | None) -> str:
    return "" if limit is None else plain(limit).replace("-", "\N{MINUS SIGN}")


def _decided(table: TableFile, decimal: str | None) -> TableFile:
    if decimal is None:
        return table
    sign = _SIGNS[decimal]
    if table.decimal not in ("", sign):
        raise InputError(
            f"the numbers have another decimal sign than the {decimal} that was named; leave "
            "--decimal out or correct the table", field="decimal", value=decimal, where=table.name,
        )
    return replace(table, decimal=sign, proven=True)


def _require_clear_sign(table: TableFile, column: str, low: float, high: float) -> None:
    """Ask once for the decimal sign where all numbers leave it open, instead of for each cell."""
    for row in () if table.proven else table.rows:
        cell = row[column]
        if could_be_thousands(cell.text):
            value = float(cell.text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
            if low <= 1000 * value <= high and low <= value <= high:
                raise problem(
                    cell, table,
                    f'"{cell.text}" could be {value:g} or {1000 * value:.0f}, and no other number '
                    "of the table shows which; say so with --decimal point or --decimal comma",
                )
