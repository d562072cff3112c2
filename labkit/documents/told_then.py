"""Notes that were stored with a set or a decision: what was true then is said as of then."""

from __future__ import annotations

#: Notes on what a later prescription had made of rods when they were ordered; where the record can
#: be asked, a paper says what it makes of them now instead.
AS_OF_ORDER = frozenset({"earlier_revision", "above_100"})
#: What was stored once as if it were true for ever → the same as of then.
_EARLIER_WORDS = (
    ("holds now and may give them others (labkit show)", "held then and might give them others"),
    ("now stands above 100 %", "then made more than 100 %"),
    ("stood above 100 %", "made more than 100 %"),
    (" mm), asked was ", " mm); allowed is "),
    (" mm, asked was ", " mm; allowed is "),
)


def told_then(message: str) -> str:
    """Give a stored note as of the day on which it was stored.

    >>> told_then("prescription revision 2 holds now and may give them others (labkit show)")
    'prescription revision 2 held then and might give them others'
    """
    for now, then in _EARLIER_WORDS:
        message = message.replace(now, then)
    return message
