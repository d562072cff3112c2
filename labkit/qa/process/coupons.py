"""Coupons: rods built and measured to find out what a process makes of a length."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial

from labkit.core.numbers import Finite
from labkit.errors import InputError
from labkit.tables.cells import number, words
from labkit.tables.columns import Column, read_columns, row_values
from labkit.tables.values import Cell, Mistakes, TableFile, problem, shown
from labkit.units import plain

#: Kinds of diameters that may be measured, with their columns.
DIAMETERS = ("bore", "pin", "ball")
_WORDS = partial(words, most=40)
_READING = partial(number, low=Decimal("0.01"), high=10_000)
COLUMNS = (
    Column(
        "nominal", "functional length as drawn, mm", partial(number, low=5, high=120),
        filled=True, sign=True,
    ),
    Column("measured", "functional length as measured, mm", _READING, filled=True, sign=True),
    Column("reading", "what was read in the way named, mm", _READING, filled=True, sign=True),
    Column("coupon", "its name; rows of one name are readings of one coupon", _WORDS, filled=True),
    Column("machine", "the machine that built it", _WORDS),
    Column("lot", "lot of the material", _WORDS),
    Column("remark", "anything else; passed over"),
    *(
        column
        for kind in DIAMETERS
        for column in (
            Column(f"{kind}_nominal", f"diameter of the {kind} as its STEP has it, mm", sign=True),
            Column(kind, f"diameter of the {kind} as measured, mm", sign=True),
        )
    ),
)
#: No process is off by more than this: it is a slip, or not the rod that it is taken for.
MOST_OFF_MM = Decimal("1.0")
MOST_OFF_PART = Decimal("0.04")
MOST_OFF_DIAMETER_MM = Decimal("0.6")
_FACTORS = (
    (Decimal(10), "the decimal sign is one place too far right"),
    (Decimal("0.1"), "the decimal sign is one place too far left"),
    (Decimal(100), "the decimal sign is missing"),
    (1 / Decimal("25.4"), "it is in inches"),
    (Decimal("25.4"), "it was turned from inches into mm twice"),
)

#: Functional length of one row from its reading, and the row's measured diameters.
ToLength = Callable[[Decimal, Mapping[str, Decimal]], Decimal]


@dataclass(frozen=True)
class Diameter(Finite):
    """A measured diameter beside its nominal.

    Args:
        measured_mm: As measured, the mean over the coupon's fittings of this kind.
    """

    nominal_mm: Decimal
    measured_mm: Decimal


@dataclass(frozen=True)
class Coupon(Finite):
    """One coupon.

    Args:
        name: As in the file, or "line 7" where the file names none.
        measured_mm: Functional length as measured, the mean of its rows.
        read_mm: What its rows say, before it is turned into a length and averaged.
    """

    name: str
    nominal_mm: Decimal
    measured_mm: Decimal
    read_mm: tuple[Decimal, ...] = ()
    diameters: Mapping[str, Diameter] = field(default_factory=dict)
    machine: str = ""
    lot: str = ""


def read_coupons(raw: bytes, name: str, to_length: ToLength | None = None) -> tuple[Coupon, ...]:
    r"""Read a file of coupons.

    Rows that name one coupon are readings of it and count once, as their mean; so do the diameters
    that any of them names.

    Raises:
        InputErrors: Every mistake with line and column; nothing is mended.

    >>> read_coupons(b"nominal;measured\n30,0;30,02\n", "a.csv")[0].measured_mm
    Decimal('30.02')
    """
    column, other = ("measured", "reading") if to_length is None else ("reading", "measured")
    columns = [
        replace(one, read=None, sign=False) if one.name == other else one for one in COLUMNS
    ]
    table = read_columns(raw, name, columns, ("nominal", column))
    _refuse_other_column(table, column, other)
    _refuse_unmeasured(table, to_length)
    mistakes = Mistakes()
    rows = [
        mistakes.take(_row, row, table, columns, column, to_length is None) for row in table.rows
    ]
    mistakes.stop()
    groups: dict[str, list[_Row]] = {}
    for row in rows:
        assert row is not None  # a mistake has stopped before
        groups.setdefault(row.coupon.name, []).append(row)
    found = [mistakes.take(_mean, group, table, to_length) for group in groups.values()]
    mistakes.stop()
    return tuple(coupon for coupon in found if coupon is not None)


@dataclass(frozen=True)
class _Row:
    """A row as a coupon of its own, with its cells: the name's, and the reading's."""

    coupon: Coupon
    cell: Cell
    read: Cell


def _row(
    row: Mapping[str, Cell], table: TableFile, columns: Sequence[Column], column: str,
    is_length: bool,
) -> _Row:
    mistakes = Mistakes()
    values = row_values(row, table, columns, mistakes)
    diameters = {
        kind: found
        for kind in DIAMETERS
        if (found := mistakes.take(_diameter, kind, row, table)) is not None
    }
    mistakes.stop()
    assert values is not None
    nominal, reading = values["nominal"], values[column]
    if is_length:
        _refuse_slip(row[column], table, reading, nominal, _off_limit(nominal))
    cell = row.get("coupon", row["nominal"])
    coupon = Coupon(
        values["coupon"] or f"line {cell.line}", nominal, reading, (reading,), diameters,
        values["machine"] or "", values["lot"] or "",
    )
    return _Row(coupon, cell, row[column])


def _diameter(kind: str, row: Mapping[str, Cell], table: TableFile) -> Diameter | None:
    cell, drawn = row.get(kind), row.get(f"{kind}_nominal")
    if cell is None or not cell.text:
        return None
    if drawn is None:
        raise problem(
            cell, table, f"has no nominal beside it; add a column {kind}_nominal with the diameter "
            "that the STEP has: the middle of its limits",
        )
    nominal = number(drawn, table, Decimal("0.5"), 20)
    measured = number(cell, table, Decimal("0.01"), 1000)
    _refuse_slip(cell, table, measured, nominal, MOST_OFF_DIAMETER_MM)
    return Diameter(nominal, measured)


def _off_limit(nominal: Decimal) -> Decimal:
    return max(MOST_OFF_MM, MOST_OFF_PART * nominal)


def _refuse_slip(
    cell: Cell, table: TableFile, value: Decimal, nominal: Decimal, limit: Decimal
) -> None:
    """Ask about a value that no process makes; nothing is changed for it."""
    if abs(value - nominal) <= limit:
        return
    guess = next(
        (f" ({words})" for factor, words in _FACTORS if abs(value / factor - nominal) <= limit), ""
    )
    raise problem(
        cell, table,
        f"= {shown(cell.text)} gives {plain(round(value, 3))} mm beside a nominal of "
        f"{plain(nominal)} mm{guess}; a coupon is off by {plain(limit)} mm at most: check whether "
        "it is a slip or another rod, and correct the file",
    )


def _refuse_other_column(table: TableFile, column: str, other: str) -> None:
    if other in table.titles:
        raise InputError(
            f'has a column "{other}" beside "{column}"; '
            + (
                "readings are turned into lengths with --way and --template: give those, and no "
                'column "measured"'
                if other == "reading"
                else 'take it out, or leave out --way: lengths in "measured" are taken as they are'
            ),
            where=f"{table.name}:1",
        )


def _refuse_unmeasured(table: TableFile, to_length: ToLength | None) -> None:
    """Refuse a way that touches what the file has no column for, once and not for every row."""
    if to_length is None:
        return
    try:
        to_length(Decimal(30), {kind: Decimal(3) for kind in DIAMETERS if kind in table.titles})
    except InputError as error:
        raise InputError(str(error), where=f"{table.name}:1") from error


def _mean(group: list[_Row], table: TableFile, to_length: ToLength | None) -> Coupon:
    first = group[0].coupon
    for row in group[1:]:
        _require_same(row, group[0], table)
    diameters = dict(_mean_diameters(group, table))
    sizes = {kind: size.measured_mm for kind, size in diameters.items()}
    return replace(
        first,
        measured_mm=_average([_length(row, sizes, table, to_length) for row in group]),
        read_mm=tuple(row.coupon.measured_mm for row in group),
        diameters=diameters,
    )


def _require_same(row: _Row, first: _Row, table: TableFile) -> None:
    """Refuse two coupons of one name."""
    one, other = first.coupon, row.coupon
    for what, own in (("nominal", "nominal_mm"), ("machine", "machine"), ("lot", "lot")):
        was, now = getattr(one, own), getattr(other, own)
        if was != now:
            raise problem(
                row.cell, table,
                f"{shown(one.name)} has the {what} {now} here and {was} in line "
                f"{first.cell.line}; give each coupon a name of its own",
            )


def _length(
    row: _Row, sizes: Mapping[str, Decimal], table: TableFile, to_length: ToLength | None
) -> Decimal:
    """Give the length of one row, by the coupon's diameters wherever they stand."""
    own = row.coupon
    if to_length is None:
        return own.measured_mm
    try:
        length = to_length(own.measured_mm, sizes)
    except InputError as error:
        raise problem(row.read, table, str(error)) from error
    _refuse_slip(row.read, table, length, own.nominal_mm, _off_limit(own.nominal_mm))
    return length


def _mean_diameters(group: list[_Row], table: TableFile) -> Iterable[tuple[str, Diameter]]:
    for kind in DIAMETERS:
        sizes = [row.coupon.diameters[kind] for row in group if kind in row.coupon.diameters]
        if len({size.nominal_mm for size in sizes}) > 1:
            raise problem(
                group[-1].cell, table, f"has two nominals of its {kind}; they must agree"
            )
        if sizes:
            yield kind, Diameter(
                sizes[0].nominal_mm, _average(size.measured_mm for size in sizes)
            )


def _average(values: Iterable[Decimal]) -> Decimal:
    found = list(values)
    return sum(found, Decimal(0)) / len(found)
