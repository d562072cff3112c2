"""Reads a number as it is written, within bounds that no number of a lab comes near."""

from __future__ import annotations

import re
from decimal import Decimal

from labkit.core.form.slips import slip_in
from labkit.errors import InputError

#: Digits before and after the point, and of the exponent: a million times finer and larger than
#: anything measured here, and small enough that no arithmetic on them fills the memory.
_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})([eE][+-]?\d{1,2})?")
_GROUPED = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
ALLOWED = "a number of at most 20 digits before and after the point, such as 68.75"


def exact_number(text: str) -> Decimal:
    """Read a number with every digit that is written.

    Raises:
        InputError: It is no number, not finite, or has more digits than `ALLOWED` says.

    >>> exact_number("68.75"), exact_number("1e-2")
    (Decimal('68.75'), Decimal('0.01'))
    """
    if not _NUMBER.fullmatch(text):
        shown = text if len(text) <= 40 else f"{text[:37]}..."
        slip = slip_in(text)
        right = f"; write {slip.right}" if slip else ""
        raise InputError(
            f"{shown!r} is not {ALLOWED}{right}", field="number", value=text, allowed=ALLOWED
        )
    return Decimal(text)


def could_be_thousands(text: str) -> bool:
    """Tell whether the one sign in a number could part thousands.

    >>> could_be_thousands("1,234"), could_be_thousands("0,234"), could_be_thousands("36,08")
    (True, False, False)
    """
    return bool(_GROUPED.fullmatch(ascii_minus(text)))


def ascii_minus(text: str) -> str:
    """Write the minus sign U+2212 as a hyphen: nothing else can be meant by it."""
    return text.replace("\u2212", "-")
