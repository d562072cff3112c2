"""Reads the table of a gauge study."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from labkit.errors import InputError
from labkit.qa.gauge.study import Reading
from labkit.tables.file import (
    Cell,
    Mistakes,
    TableFile,
    number,
    problem,
    read_table,
    whole,
    words,
)

#: Columns with their meaning; every command that reads a study shows them.
COLUMNS = (
    ("part", "name or number of the part measured"),
    ("operator", "code of who measured; without this column the study has no operators"),
    ("trial", "number of the repetition; without it the order of the rows counts"),
    ("value", "what was read, mm"),
    ("reference", "calibrated value of the part, mm; for bias and linearity"),
)
#: Nothing a lab measures rods with reads outside this; a slip of the decimal sign often does.
LOWEST_MM, HIGHEST_MM = -1000, 1000
_MOST_TRIALS = 1000


def read_study(raw: bytes, name: str) -> tuple[Reading, ...]:
    r"""Read the table of a crossed study.

    Returns:
        The readings in the order of the file.

    Raises:
        InputErrors: Every mistake with line and column.

    >>> [row] = read_study(b"part;value;operator\n7;36,08;anna\n", "study.csv")
    >>> row.part, row.operator, row.value_mm, row.where
    ('7', 'anna', Decimal('36.08'), 'study.csv:2')
    """
    return _readings(raw, name, ("part", "value"), ("operator", "trial", "reference"))


def read_bias(raw: bytes, name: str) -> tuple[Reading, ...]:
    """Read the table of a bias study: as a crossed one, but `reference` must be there.

    Returns:
        The readings in the order of the file; it need not be balanced.

    Raises:
        InputErrors: Every mistake with line and column.
    """
    return _readings(raw, name, ("reference", "value"), ("part", "operator", "trial"))


def _readings(
    raw: bytes, name: str, required: tuple[str, ...], optional: tuple[str, ...]
) -> tuple[Reading, ...]:
    table = read_table(raw, name, required, optional, numbers=("value", "reference"))
    mistakes = Mistakes()
    rows = [_reading(row, table, mistakes, "reference" in required) for row in table.rows]
    readings = tuple(row for row in rows if row is not None)
    if table.rows and "part" in table.rows[0]:
        _one_reference_each(table, readings, mistakes)
    mistakes.stop()
    return readings


def _reading(
    row: Mapping[str, Cell], table: TableFile, mistakes: Mistakes, known: bool
) -> Reading | None:
    before = len(mistakes.errors)
    part = mistakes.take(words, row["part"], table) if "part" in row else ""
    operator = mistakes.take(words, row["operator"], table) if "operator" in row else ""
    trial = _optional(row.get("trial"))
    counted = mistakes.take(whole, trial, table, 1, _MOST_TRIALS) if trial else None
    value = mistakes.take(number, row["value"], table, LOWEST_MM, HIGHEST_MM)
    given = row["reference"] if known else _optional(row.get("reference"))
    reference = mistakes.take(number, given, table, LOWEST_MM, HIGHEST_MM) if given else None
    if len(mistakes.errors) > before or part is None or operator is None or value is None:
        return None
    where = f"{table.name}:{row['value'].line}"
    return Reading(part, operator, counted, value, reference, where)


def _optional(cell: Cell | None) -> Cell | None:
    return cell if cell is not None and cell.text else None


def _one_reference_each(
    table: TableFile, readings: tuple[Reading, ...], mistakes: Mistakes
) -> None:
    """Refuse a part whose reference changes from row to row."""
    first: dict[str, tuple[Decimal | None, str]] = {}
    lines = {f"{table.name}:{row['value'].line}": row for row in table.rows}
    for reading in readings:
        reference, where = first.setdefault(reading.part, (reading.reference_mm, reading.where))
        if reference != reading.reference_mm:
            cell = lines[reading.where].get("reference")
            message = (
                f"the reference of part {reading.part} is "
                f"{_said(reading.reference_mm)} here and {_said(reference)} in {where}; a part has "
                "one reference, in every row or in none"
            )
            mistakes.add(
                problem(cell, table, message) if cell else InputError(message, where=where)
            )


def _said(reference: Decimal | None) -> str:
    return "not given" if reference is None else f"{reference} mm"
