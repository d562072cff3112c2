"""Rod identifiers: ten digits, the last one a check digit, easy to read aloud and to scan."""

from __future__ import annotations

import hashlib

from labkit.errors import InputError

#: Digits before the check digit. Digits alone are told apart in every language and by phone.
BODY_DIGITS = 9


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


def rod_identifier(set_digest: str, revision: int, step: int, side: str, attempt: int = 0) -> str:
    """Derive the identifier of one rod from what it belongs to.

    Args:
        set_digest: SHA-256 of the set's inputs, hexadecimal.
        step: Number of the step, from 1.
        side: "left" or "right".
        attempt: Counts up where an earlier rod already bears the identifier.

    Returns:
        Ten digits, the last one the check digit.

    >>> identifier = rod_identifier("ab" * 32, 1, 2, "left")
    >>> len(identifier), parse_identifier(identifier) == identifier
    (10, True)
    """
    text = f"{set_digest}/{revision}/{step}/{side}/{attempt}"
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()) % 10**BODY_DIGITS
    body = f"{number:0{BODY_DIGITS}d}"
    return body + check_digit(body)


def grouped(identifier: str) -> str:
    """Write an identifier in groups for people.

    >>> grouped("4829173065")
    '482 917 3065'
    """
    return " ".join((identifier[:3], identifier[3:6], identifier[6:]))


def parse_identifier(text: str) -> str:
    """Read an identifier as typed or scanned.

    Args:
        text: Ten digits; spaces and hyphens between them do not matter.

    Returns:
        The ten digits.

    Raises:
        InputError: Not ten digits, or the check digit does not fit.
    """
    digits = text.replace(" ", "").replace("-", "")
    if not digits.isascii() or not digits.isdigit() or len(digits) != BODY_DIGITS + 1:
        raise InputError(
            f'"{text}" is not a rod identifier; it has ten digits, such as 482 917 3065',
            field="identifier", value=text,
        )
    if check_digit(digits[:-1]) != digits[-1]:
        raise InputError(
            f'"{text}" has a wrong digit or two digits swapped; read the ten digits again',
            field="identifier", value=text,
        )
    return digits
