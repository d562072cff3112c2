"""Rod identifiers: a ledger's number, nine digits, a check digit; read aloud, typed, scanned."""

from __future__ import annotations

import hashlib

from labkit.errors import InputError

#: Digits of the ledger's number, in front; rods of before ledgers had an identity have none.
LEDGER_DIGITS = 4
#: Digits before the check digit. Digits alone are told apart in every language and by phone.
BODY_DIGITS = 9
#: As many digits has an identifier, the longest first: today's, and that of earlier programs.
LENGTHS = (LEDGER_DIGITS + BODY_DIGITS + 1, BODY_DIGITS + 1)
#: Identity that stands for a ledger where a set is not recorded; its number is 0000.
NO_LEDGER = "0" * 64
#: Stands in place of a ledger's identity for the rule of earlier programs: ten digits.
BEFORE_LEDGERS = ""
_LEDGERS = 10**LEDGER_DIGITS - 1


def check_digit(body: str) -> str:
    """Work out the check digit of a string of digits.

    Formula: P = 10; for each digit a: S = (P + a) mod 10, taken as 10 where 0; P = 2 S mod 11;
    the check digit c makes (P + c) mod 10 = 1.

    Args:
        body: Digits without the check digit.

    Returns:
        One digit. It reveals every single wrong digit and nearly all swapped neighbours.

    Raises:
        InputError: Something else than digits.

    >>> check_digit("0794")
    '5'

    Source: ISO/IEC 7064:2003, MOD 11,10; its example 0794 with check digit 5 (from memory).
    """
    if not body.isascii() or not body.isdigit():
        raise InputError(f'"{body}" is not a string of digits', field="identifier", value=body)
    product = 10
    for digit in body:
        product = (product + int(digit)) % 10 or 10
        product = product * 2 % 11
    return str((11 - product) % 10)


def ledger_number(identity: str) -> str:
    """Give the number that the identifiers of a ledger's rods begin with.

    Args:
        identity: Digest of the ledger's first entry, 64 hexadecimal digits, or `NO_LEDGER`.

    Returns:
        Four digits: 0000 without a ledger, else 0001 to 9999.

    >>> ledger_number(NO_LEDGER), ledger_number("0" * 63 + "1"), ledger_number("f" * 64)
    ('0000', '0002', '3067')
    """
    number = 0 if identity == NO_LEDGER else 1 + int(identity, 16) % _LEDGERS
    return f"{number:0{LEDGER_DIGITS}d}"


def rod_identifier(
    set_digest: str, revision: int, step: int, side: str, attempt: int = 0,
    ledger: str = NO_LEDGER,
) -> str:
    """Derive the identifier of one rod from what it belongs to.

    Args:
        set_digest: SHA-256 of the set's inputs, hexadecimal.
        step: Number of the step, from 1.
        side: "left" or "right".
        attempt: Counts up where an earlier rod already bears the identifier.
        ledger: Identity of the ledger, `NO_LEDGER`, or `BEFORE_LEDGERS`.

    Returns:
        Fourteen digits: the ledger's number, nine more, the check digit; `BEFORE_LEDGERS` ten.

    >>> identifier = rod_identifier("ab" * 32, 1, 2, "left")
    >>> len(identifier), identifier[:4], parse_identifier(identifier) == identifier
    (14, '0000', True)
    """
    text = f"{set_digest}/{revision}/{step}/{side}/{attempt}"
    if ledger != BEFORE_LEDGERS:
        text = f"{ledger}/{text}"
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()) % 10**BODY_DIGITS
    body = f"{number:0{BODY_DIGITS}d}"
    if ledger != BEFORE_LEDGERS:
        body = ledger_number(ledger) + body
    return body + check_digit(body)


def grouped(identifier: str) -> str:
    """Write an identifier in groups for people.

    >>> grouped("48294829173065"), grouped("4829173065")
    ('4829 482 917 3065', '482 917 3065')
    """
    own = identifier[-BODY_DIGITS - 1 :]
    groups = (identifier[: -len(own)], own[:3], own[3:6], own[6:])
    return " ".join(group for group in groups if group)


def parse_identifier(text: str) -> str:
    """Read an identifier as typed or scanned.

    Args:
        text: Fourteen or ten digits; spaces and hyphens between them do not matter.

    Returns:
        The digits.

    Raises:
        InputError: Neither fourteen nor ten digits, or the check digit does not fit.
    """
    digits = text.replace(" ", "").replace("-", "")
    if not digits.isascii() or not digits.isdigit() or len(digits) not in LENGTHS:
        raise InputError(
            f'"{text}" is not a rod identifier; it has fourteen digits, such as '
            "4829 482 917 3065, or on earlier rods ten, such as 482 917 3065",
            field="identifier", value=text,
        )
    if check_digit(digits[:-1]) != digits[-1]:
        raise InputError(
            f'"{text}" has a wrong digit or two digits swapped; read the digits again',
            field="identifier", value=text,
        )
    return digits


def is_identifier(text: str) -> bool:
    """Tell whether a text is a rod identifier as it is recorded: its digits alone."""
    try:
        return parse_identifier(text) == text
    except InputError:
        return False
