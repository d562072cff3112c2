"""Which rod a row of the inspection form is about."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labkit.core.case.identifier import BODY_DIGITS, grouped, parse_identifier
from labkit.errors import InputError
from labkit.qa.decision.bench import Bench, Place
from labkit.tables.values import Cell, TableFile, problem, shown


def find_place(
    row: Mapping[str, Cell], table: TableFile, bench: Bench, where_is: Callable[[str], str]
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
