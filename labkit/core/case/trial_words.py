"""Reads what was seen of a rod at a trial fit, as people type it."""

from __future__ import annotations

import re
from decimal import Decimal

from labkit.core.case.identifier import parse_identifier
from labkit.core.case.trial_seen import Seen, SideSeen
from labkit.core.grading.prescription import Side
from labkit.errors import InputError

_SEEN = re.compile(
    r"(?P<rod>.+?)\s+(?P<seen>meets|too[\s_-]+long|too[\s_-]+short)(?P<rest>\s.*)?", re.I | re.S
)
_BY = re.compile(r"(?:by\s+)?(?P<number>(?!by$)\S+?)(?:\s*mm)?", re.I)
_NUMBER = re.compile(r"[0-9]{1,4}(\.[0-9]{1,3})?")
_LABEL = re.compile(r"(?P<length>[0-9]{1,3}(?:\.[0-9]{1,4})?)\s*(?P<hand>[LR]?)", re.I)
_IDENTIFIER = re.compile(r"(?:[0-9]{4}[\s-]?)?[0-9]{3}[\s-]?[0-9]{3}[\s-]?[0-9]{4}")
_HANDS = {"L": Side.LEFT, "R": Side.RIGHT}
ALLOWED = '"28.7 meets", "28.7 too long by 0.8" or "28.7 too short by 0.8"'


def read_seen(side: Side, words: str) -> SideSeen:
    """Read which rod was tried on a side, and what was seen of it.

    Args:
        words: The rod (label as engraved, with or without L or R, or identifier), then `meets`,
            `too long by` or `too short by` and a number of mm above 0.

    Raises:
        InputError: It cannot be read, or not in one way alone.

    >>> read_seen(Side.LEFT, "28.7L too short by 0.8").words
    '28.7 too short by 0.8 mm'
    """
    found = _SEEN.fullmatch(words.strip())
    if found is None:
        raise _wrong(
            side, words, f"does not name a rod and what was seen; say {ALLOWED}, in quotes"
        )
    seen = Seen(re.sub(r"[\s_-]+", "_", found["seen"].lower()))
    label, identifier = _rod(side, words, found["rod"])
    return SideSeen(label, seen, _by(side, words, seen, (found["rest"] or "").strip()), identifier)


def _rod(side: Side, words: str, rod: str) -> tuple[str, str]:
    """Give the label, or else the identifier, of the rod named."""
    if _IDENTIFIER.fullmatch(rod):
        return "", parse_identifier(rod)
    if "," in rod:
        raise _comma(side, words)
    found = _LABEL.fullmatch(rod)
    if found is None:
        raise _wrong(
            side, words,
            f'names the rod "{rod}"; give its label as engraved, such as 28.7 or '
            f"28.7{side[0].upper()}, or its identifier",
        )
    hand = _HANDS.get(found["hand"].upper(), side)
    if hand is not side:
        raise _wrong(
            side, words,
            f"names {rod}, which bears the {found['hand'].upper()} of a {hand} rod; check which "
            "rod was on which side",
        )
    return found["length"], ""


def _by(side: Side, words: str, seen: Seen, rest: str) -> Decimal | None:
    if seen is Seen.MEETS:
        if rest:
            raise _wrong(
                side, words,
                "says meets and more; a rod that meets its seat has no mm, any other one is too "
                "long or too short",
            )
        return None
    found = _BY.fullmatch(rest)
    if found is None:
        raise _wrong(
            side, words, f"does not say by how many mm; say {seen.words} by a number such as 0.8"
        )
    number = found["number"]
    if "," in number:
        raise _comma(side, words)
    if number.startswith(("-", "+", "−")):
        raise _wrong(
            side, words,
            f"bears the sign {number[0]}; say too long or too short in words, and by how many mm, "
            "above 0 and without a sign",
        )
    if not _NUMBER.fullmatch(number):
        raise _wrong(
            side, words,
            f'says "{number}"; give a number of mm with at most 3 decimals, such as 0.8',
        )
    if not Decimal(number):
        raise _wrong(side, words, "says by 0 mm; a rod neither too long nor too short meets")
    return Decimal(number)


def _comma(side: Side, words: str) -> InputError:
    """Name every number that has a comma, as it is written with a point."""
    typed = [word for word in words.split() if "," in word]
    right = " and ".join(word.replace(",", ".", 1) for word in typed)
    what = "has a decimal comma" if len(typed) == 1 else "has decimal commas"
    return _wrong(side, words, f"{what}; write {right}, with a point")


def _wrong(side: Side, words: str, what: str) -> InputError:
    return InputError(
        f'what was seen on the {side}, "{words}", {what}', field=str(side), value=words,
        allowed=ALLOWED,
    )
