"""Rules about what a label can be mistaken for."""

from __future__ import annotations

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
