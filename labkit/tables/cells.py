"""What a cell of a table says: a number, a whole number, a day, one of several words."""

from __future__ import annotations

import datetime
import re
from collections.abc import Collection
from decimal import Decimal

from labkit.core.form.numbers import ascii_minus, could_be_thousands
from labkit.core.form.words import nearest
from labkit.errors import InputError
from labkit.tables.values import Cell, TableFile, problem, shown
from labkit.units import plain

#: More digits than any instrument shows; a longer cell is not a reading.
MOST_CHARACTERS = 30

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)")
_WHOLE = re.compile(r"[0-9]+")
_ISO_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
# No country writes the month first with points, so this one is read; with slashes both are in use.
_POINT_DAY = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})")
_SPACES = " \u00a0\u202f\u2009"
#: What cells that are no number look like, and what to say; the first that fits is told.
_NOT_NUMBERS = (
    (re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE), "is not a finite number"),
    (
        re.compile(r"[+-]?[0-9.,]+[eE][+-]?[0-9]+"),
        "is in scientific notation; format the column as a plain number and save it again",
    ),
    (
        re.compile(rf"[+-]?[0-9]{{1,3}}([.,'’{_SPACES}][0-9]{{3}})+([.,][0-9]+)?"),
        "has a thousands separator; write the number without it",
    ),
    (
        re.compile(r"[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}.*|.*[A-Za-z]{3}[-. ][0-9]{2,4}"
                   r"|[0-9]{1,2}[-. ]+[A-Za-z]{3}.*"),
        "looks like a date: the spreadsheet took the number for one; format the column as a "
        "number and type it again",
    ),
    (re.compile(r"[+-]?[0-9]+[.,]"), "ends with its decimal sign; write the number whole"),
    (
        re.compile(r"[+-]?[0-9.,]+\s*[^\W\d].*|[+-]?[0-9.,]+\s*[%°\"″'′].*"),
        "has a unit or a word after the number; write the number alone",
    ),
)


def is_decimal_number(text: str) -> bool:
    """Tell whether a cell is a number with a decimal sign.

    >>> is_decimal_number("36,08"), is_decimal_number("36"), is_decimal_number("20.3.2031")
    (True, False, False)
    """
    return bool(_NUMBER.fullmatch(ascii_minus(text))) and ("." in text or "," in text)


def number(cell: Cell, table: TableFile, low: float | Decimal, high: float | Decimal) -> Decimal:
    """Read a number.

    Args:
        table: Its table, which has one decimal sign throughout.

    Raises:
        InputError: The cell is empty, no plain number, could be read in two ways, or is out of
            bounds; its place is "file:line, column n (name)".

    >>> table = TableFile("study.csv", ("value",), (), ";", ",", proven=True)
    >>> number(Cell("36,08", 2, 1, "value"), table, 0, 200)
    Decimal('36.08')
    """
    allowed = f"a number from {_bound(low)} to {_bound(high)}"
    text = ascii_minus(_filled(cell, table, allowed))
    if not _NUMBER.fullmatch(text) or len(text) > MOST_CHARACTERS:
        raise _unusable(cell, table, f'"{shown(cell.text)}" {_why_not(text)}', allowed)
    _require_one_sign(cell, table, text)
    value, least, most = Decimal(text.replace(",", ".")), Decimal(str(low)), Decimal(str(high))
    _require_one_meaning(cell, table, value, (least, most))
    if not least <= value <= most:
        raise _unusable(cell, table, f"{shown(cell.text)} is out of bounds", allowed)
    return value


def whole(cell: Cell, table: TableFile, low: int, high: int) -> int:
    """Read a whole number.

    Raises:
        InputError: It is not a whole number within the bounds.

    >>> whole(Cell("3", 2, 1, "trial"), TableFile("study.csv", ("trial",), (), ";", ""), 1, 20)
    3
    """
    allowed = f"a whole number from {low} to {high}"
    text = _filled(cell, table, allowed)
    plain_digits = _WHOLE.fullmatch(text) and len(text) <= MOST_CHARACTERS
    if not plain_digits or not low <= int(text) <= high:
        raise _unusable(cell, table, f'"{shown(text)}" is not usable', allowed)
    return int(text)


def day(cell: Cell, table: TableFile) -> datetime.date:
    """Read a date: 2031-03-20, or 20.03.2031 as many spreadsheets save it.

    Raises:
        InputError: It is no such date. With slashes the month may stand first or second, so that
            such a date is refused.

    >>> day(Cell("20.03.2031", 2, 1, "on"), TableFile("study.csv", ("on",), (), ";", ""))
    datetime.date(2031, 3, 20)
    """
    allowed = "a date such as 2031-03-20"
    text = _filled(cell, table, allowed)
    try:
        if _ISO_DAY.fullmatch(text):
            return datetime.date.fromisoformat(text)
        if parts := _POINT_DAY.fullmatch(text):
            return datetime.date(int(parts[3]), int(parts[2]), int(parts[1]))
    except ValueError as error:
        message = f'"{shown(text)}" is a day that does not exist; give {allowed}'
        raise problem(cell, table, message, allowed) from error
    reason = "could have the day or the month first" if "/" in text else "is not a date"
    raise problem(cell, table, f'"{shown(text)}" {reason}; write {allowed}', allowed)


def one_of(cell: Cell, table: TableFile, known: Collection[str]) -> str:
    """Read one of several words; capitals do not matter.

    Raises:
        InputError: It is none of them.

    >>> one_of(Cell("Yes", 2, 1, "ok"), TableFile("a.csv", ("ok",), (), ";", ""), ("yes", "no"))
    'yes'
    """
    folded = {word.casefold(): word for word in known}
    allowed = f"one of {', '.join(known)}"
    word = _filled(cell, table, allowed).casefold()
    if word in folded:
        return folded[word]
    near = nearest(word, folded)
    hint = f"; did you mean `{folded[near]}`? " if near else "; "
    message = f'"{shown(cell.text)}" is not known{hint}allowed is {allowed}'
    raise problem(cell, table, message, allowed)


def words(cell: Cell, table: TableFile, most: int = 80) -> str:
    """Read text that has to be there, such as an operator's code.

    Raises:
        InputError: It is empty, too long or has characters that cannot be printed.

    >>> words(Cell("anna", 2, 1, "operator"), TableFile("a.csv", ("operator",), (), ";", ""))
    'anna'
    """
    allowed = f"printable text of 1 to {most} characters"
    text = _filled(cell, table, allowed)
    if len(text) > most or not text.isprintable():
        raise _unusable(cell, table, f'"{shown(text)}" is not usable', allowed)
    return text


def _filled(cell: Cell, table: TableFile, allowed: str) -> str:
    if not cell.text:
        raise problem(cell, table, f"is empty; give {allowed}", allowed)
    return cell.text


def _unusable(cell: Cell, table: TableFile, what: str, allowed: str) -> InputError:
    return problem(cell, table, f"{what}; allowed is {allowed}", allowed)


def _why_not(text: str) -> str:
    """Say why a text is no plain number."""
    if len(text) > MOST_CHARACTERS:
        return f"has more than {MOST_CHARACTERS} characters"
    for pattern, reason in _NOT_NUMBERS:
        if pattern.fullmatch(text):
            return reason
    return "is not a number"


def _require_one_sign(cell: Cell, table: TableFile, text: str) -> None:
    """Refuse a decimal sign that is not the file's: it would be read as something else there."""
    for sign, name in ((".", "point"), (",", "comma")):
        if sign in text and table.decimal not in ("", sign):
            raise problem(
                cell, table,
                f'"{shown(cell.text)}" has a decimal {name}, other numbers of the file do not; '
                "use one decimal sign throughout",
            )


def _require_one_meaning(
    cell: Cell, table: TableFile, value: Decimal, bounds: tuple[Decimal, Decimal]
) -> None:
    """Refuse 1,234 where one and 1234 are both within bounds and no other cell tells which."""
    if table.proven or not could_be_thousands(cell.text):
        return
    thousands = value * 1000
    if bounds[0] <= value <= bounds[1] and bounds[0] <= thousands <= bounds[1]:
        raise problem(
            cell, table,
            f'"{shown(cell.text)}" could be {plain(value)} or {plain(thousands)}; write it with '
            "another number of decimals, or without the sign",
        )


def _bound(value: float | Decimal) -> str:
    return plain(value) if isinstance(value, Decimal) else plain(float(value))
