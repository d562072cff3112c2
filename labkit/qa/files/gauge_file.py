"""Reads the table of a gauge study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import partial

from labkit.qa.gauge.study import Reading
from labkit.tables.cells import number, whole, words
from labkit.tables.columns import Column, read_columns, row_values
from labkit.tables.values import Cell, Mistakes, TableFile, problem

#: Nothing a lab measures rods with reads outside this; a slip of the decimal sign often does.
_MM = partial(number, low=-1000, high=1000)
COLUMNS = (
    Column("part", "name or number of the part measured", words, filled=True),
    Column(
        "operator", "code of who measured; without this column the study has no operators", words,
        filled=True,
    ),
    Column(
        "trial", "number of the repetition; without it the order of the rows counts",
        partial(whole, low=1, high=1000),
    ),
    Column("value", "what was read, mm", _MM, filled=True, sign=True),
    Column(
        "reference", "calibrated value of the part, mm; for bias and linearity", _MM, sign=True
    ),
)


def read_study(raw: bytes, name: str) -> tuple[Reading, ...]:
    r"""Read the table of a crossed study.

    Raises:
        InputErrors: Every mistake with line and column.

    >>> [row] = read_study(b"part;value;operator\n7;36,08;anna\n", "study.csv")
    >>> row.part, row.operator, row.value_mm, row.where
    ('7', 'anna', Decimal('36.08'), 'study.csv:2')
    """
    return _readings(raw, name, ("part", "value"))


def read_bias(raw: bytes, name: str) -> tuple[Reading, ...]:
    """Read the table of a bias study: as a crossed one, but `reference` must be there.

    Returns:
        The readings in the order of the file; it need not be balanced.

    Raises:
        InputErrors: Every mistake with line and column.
    """
    return _readings(raw, name, ("reference", "value"))


def _readings(raw: bytes, name: str, needed: Sequence[str]) -> tuple[Reading, ...]:
    columns = [replace(one, filled=one.filled or one.name in needed) for one in COLUMNS]
    table = read_columns(raw, name, columns, needed)
    mistakes = Mistakes()
    read = [
        (row, Reading(
            values["part"] or "", values["operator"] or "", values["trial"], values["value"],
            values["reference"], f"{table.name}:{row['value'].line}",
        ))
        for row in table.rows
        if (values := row_values(row, table, columns, mistakes)) is not None
    ]
    if table.rows and "part" in table.rows[0]:
        _one_reference_each(table, read, mistakes)
    mistakes.stop()
    return tuple(reading for _, reading in read)


def _one_reference_each(
    table: TableFile, read: Sequence[tuple[Mapping[str, Cell], Reading]], mistakes: Mistakes
) -> None:
    """Refuse a part whose reference changes from row to row."""
    first: dict[str, tuple[Decimal | None, str]] = {}
    for row, reading in read:
        reference, where = first.setdefault(reading.part, (reading.reference_mm, reading.where))
        if reference != reading.reference_mm:  # so there is such a column
            mistakes.add(problem(
                row["reference"], table,
                f"the reference of part {reading.part} is {_said(reading.reference_mm)} here and "
                f"{_said(reference)} in {where}; a part has one reference, in every row or in none",
            ))


def _said(reference: Decimal | None) -> str:
    return "not given" if reference is None else f"{reference} mm"
