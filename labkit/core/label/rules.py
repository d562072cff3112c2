"""Rules about what a label or a case mark can be mistaken for."""

from __future__ import annotations

import re

#: Letters of case marks: none that looks like a digit (B D G I O Q S Z, and C, V beside U), and
#: neither L nor R, which tell the side.
CASE_MARK_LETTERS = "AEFHJKMNPTUWXY"
CASE_MARK_CHARACTERS = 4
#: What a case mark may be, in words.
CASE_MARK_ALLOWED = (
    f"1 to {CASE_MARK_CHARACTERS} characters, first one of the letters "
    f"{' '.join(CASE_MARK_LETTERS)}, then these or digits, such as \"KH2\""
)
_CASE_MARK = re.compile(
    f"[{CASE_MARK_LETTERS}][{CASE_MARK_LETTERS}0-9]{{,{CASE_MARK_CHARACTERS - 1}}}"
)

#: What each character reads as after half a turn; the others do not read as anything.
_HALF_TURN = {"0": "0", "1": "1", "6": "9", "8": "8", "9": "6", ".": "."}


def upside_down(label: str) -> str | None:
    """Read a label after half a turn.

    Args:
        label: Digits and at most one point.

    Returns:
        What it reads as, or None where a character does not read as a digit upside down.

    >>> upside_down("16.9"), upside_down("8.6"), upside_down("34.0")
    ('6.91', '9.8', None)
    """
    turned = [_HALF_TURN.get(char) for char in reversed(label)]
    known = [char for char in turned if char is not None]
    return "".join(known) if label and len(known) == len(turned) else None


def needs_bar(label: str) -> bool:
    """Tell whether a label must have a bar under it to show which way up it is.

    >>> needs_bar("18.9"), needs_bar("18.5")
    (True, False)
    """
    return upside_down(label) is not None


def is_case_mark(text: str) -> bool:
    """Tell whether a text can be a case mark: never to be read as a length or as a side.

    >>> is_case_mark("KH2"), is_case_mark("28"), is_case_mark("L"), is_case_mark("KH-2")
    (True, False, False, False)
    """
    return _CASE_MARK.fullmatch(text) is not None
