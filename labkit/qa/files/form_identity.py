"""Which rod a row of the inspection form is about, and what else it says of that rod."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal

from labkit.core.case.identifier import BODY_DIGITS, grouped, parse_identifier
from labkit.errors import InputError
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.files.form_cells import TAKEN_OTHERWISE, Cells, cell_of, form_number, taken_otherwise
from labkit.tables.file import Cell, TableFile, problem
from labkit.tables.values import shown


def find_place(
    row: Cells, table: TableFile, bench: Bench, where_is: Callable[[str], str]
) -> Place:
    """Find the rod that a row is about.

    Args:
        where_is: Tells of an identifier that fills no place of the set what it is, in words.

    Raises:
        InputError: It has no usable identifier of the set.
    """
    cell = row["identifier"]
    if cell.text.casefold() == cell.name:
        message = "is the line with the names of the columns again; take it out"
        raise problem(cell, table, message)
    if not cell.text:
        raise problem(cell, table, "is empty; give the ten digits of the rod")
    try:
        identifier = parse_identifier(cell.text)
    except InputError as error:
        message = error.message.replace(cell.text, shown(cell.text))
        raise problem(cell, table, f"{message}{_meant(cell.text, bench)}") from error
    place = bench.by_identifier.get(identifier)
    if place is None:
        raise problem(cell, table, f"{cell.text} {where_is(identifier)}")
    return place


def _meant(text: str, bench: Bench) -> str:
    """Name the rods of the set that a mistyped identifier may have been."""
    digits = text.replace(" ", "").replace("-", "")
    whole = digits.zfill(BODY_DIGITS + 1)
    if digits != whole and whole in bench.by_identifier:
        return (
            f"; {grouped(whole)} is a rod of the set: the spreadsheet dropped leading zeros, so "
            "format the column as text and type it again"
        )
    near = [known for known in bench.by_identifier if _one_slip(digits, known)]
    return f"; did you mean {' or '.join(map(grouped, near))}?" if near else ""


def _one_slip(digits: str, known: str) -> bool:
    """Tell whether one digit is changed, or two neighbours are swapped."""
    if len(digits) != len(known):
        return False
    wrong = [at for at, (a, b) in enumerate(zip(digits, known, strict=True)) if a != b]
    if len(wrong) == 2:
        first, second = wrong
        swapped = digits[first] == known[second] and digits[second] == known[first]
        return swapped and second == first + 1
    return len(wrong) == 1


def check_identity(
    row: Cells, table: TableFile, bench: Bench, place: Place
) -> Iterator[InputError]:
    """Hold against the record what the form says of a rod.

    Yields:
        An error for each cell that says something else.
    """
    rod = place.expected
    name = grouped(rod.identifier)
    if (cell := cell_of(row, "schema")) and form_number(cell.text) != Decimal(1):
        yield problem(cell, table, f'"{shown(cell.text)}"; this program reads forms of schema 1')
    if (cell := cell_of(row, "case")) and cell.text != bench.case:
        yield problem(
            cell, table, f'"{shown(cell.text)}", but the rod {name} is of the case {bench.case}; '
            "name that case's own form",
        )  # fmt: skip
    for column, value, what in (
        ("revision", Decimal(place.revision), f"made in revision {place.revision} of the set"),
        ("step", Decimal(place.form_step), f"of step {place.form_step}"),
        ("label", Decimal(rod.label), f"labelled {rod.label}"),
    ):
        if not (cell := cell_of(row, column)) or form_number(cell.text) == value:
            continue
        if column == "label" and taken_otherwise(cell, value):
            message = f'"{shown(cell.text)}", but the rod is {what}: {TAKEN_OTHERWISE}'
            yield problem(cell, table, message)
        else:
            yield _unlike(cell, table, name, what)
    if (cell := cell_of(row, "side")) and cell.text.casefold() != rod.side:
        yield _unlike(cell, table, name, f"a {rod.side} one")


def _unlike(cell: Cell, table: TableFile, name: str, what: str) -> InputError:
    return problem(
        cell, table, f'"{shown(cell.text)}", but the rod {name} is {what}; see whether '
        "identifier and readings belong together, and put the form's own value back",
    )  # fmt: skip
