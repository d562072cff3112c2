"""What the fields of bodies of events may hold."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Annotated, Any

from labkit.core.case.identifier import is_identifier
from labkit.core.form.keys import Key, matching

#: A prescription file longer than this is no prescription (the reader of files says the same).
MOST_TEXT = 1_000_000
MOST_NOTE = 2000
#: 10 m; a length beyond it is a slip of the unit.
MOST_UM = 10_000_000
MOST_NUMBER = 2**31 - 1


def text(most: int) -> Key:
    """Describe a text of at most so many printable characters."""
    words = f"printable text of 1 to {most} characters"
    return Key(allowed=words, least=1, most=most, holds=str.isprintable)


def whole(low: int, high: int = MOST_NUMBER) -> Key:
    """Describe a whole number, both ends included."""
    return Key(low=low, high=high)


def one_of(*words: str) -> Key:
    """Describe one word out of some."""
    return Key(allowed=f"one of {', '.join(words)}", choices=words)


def _is_day(word: str) -> bool:
    try:
        return datetime.date.fromisoformat(word).isoformat() == word
    except ValueError:
        return False


def _has_name(table: Mapping[str, Any]) -> bool:
    name = table.get("name")
    return isinstance(name, str) and 0 < len(name) <= 200 and name.isprintable()


LONG_TEXT = Key(
    allowed=f"text of 1 to {MOST_TEXT} characters", least=1, most=MOST_TEXT,
    holds=lambda words: "\0" not in words,
)
ROWS = Key(allowed="a list of at least one table", least=1, most=MOST_NUMBER)
UM = whole(-MOST_UM, MOST_UM)

Table = Annotated[dict[str, Any], Key(allowed="a table")]
MayTable = Annotated[dict[str, Any] | None, Key(allowed="a table")]
Named = Annotated[dict[str, Any], Key(allowed="a table with a name", holds=_has_name)]
_DIGEST = Key(allowed="64 hexadecimal digits", holds=matching("[0-9a-f]{64}"))
Digest = Annotated[str, _DIGEST]
MayDigest = Annotated[str | None, _DIGEST]
_IDENTIFIER = Key(allowed="a rod identifier of fourteen digits, or ten", holds=is_identifier)
Identifier = Annotated[str, _IDENTIFIER]
MayIdentifier = Annotated[str | None, _IDENTIFIER]
Name = Annotated[str, text(80)]
#: Folders and files are named after a set.
SetName = Annotated[str, Key(
    allowed="a set's name: 1 to 80 letters, digits and . _ -, the first one no . and no -",
    holds=matching(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,79}"),
)]
Label = Annotated[str, text(16)]
Text = Annotated[str, text(MOST_NOTE)]
Note = Annotated[str | None, text(MOST_NOTE)]
Percent = Annotated[str | None, text(32)]
Side = Annotated[str, one_of("left", "right")]
Length = Annotated[int, whole(1, MOST_UM)]
#: A day that somebody named, as written in ISO 8601; the event's own moment is when it was written.
MayDay = Annotated[
    str | None, Key(allowed="a date such as 2031-03-14", holds=_is_day)
]
#: A revision, a step or the number of an event.
Number = Annotated[int, whole(1)]
MayNumber = Annotated[int | None, whole(1)]
