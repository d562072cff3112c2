"""Slips of the hand in what is typed: which one it is, and the right way to write it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Slip:
    """One slip.

    Args:
        wrong: What was typed.
        what: What is wrong with it, as words that follow it.
        right: How to write it.
    """

    wrong: str
    what: str
    right: str

    def __str__(self) -> str:
        return f"{self.wrong} {self.what}; write {self.right}"


_UNIT = r"(?:mm|cm|%|°|deg|degrees?)"
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
#: Signs that word processors put in place of straight quotes and of the hyphen.
_QUOTES = "“”„‟«»‘’‚‹›"
_DASHES = "−–—"
#: A line that people type is shorter; what is longer is not searched.
_MOST_CHARACTERS = 500
#: Days and months have no greater numbers than the latter.
_MONTHS = 12


def _straight(found: re.Match[str]) -> str:
    return f'"{found[1]}"'


def _date(found: re.Match[str]) -> str:
    first, between, second, year = int(found[1]), found[2], int(found[3]), found[4]
    ways = [f"{year}-{second:02}-{first:02}", f"{year}-{first:02}-{second:02}"]
    if between == "." or first > _MONTHS:
        return ways[0]
    return ways[1] if second > _MONTHS else " or ".join(dict.fromkeys(ways))


def _whole_date(found: re.Match[str]) -> str:
    return f"{found[1]}-{int(found[2]):02}-{int(found[3]):02}"


def _in_brackets(found: re.Match[str]) -> str:
    return f"[{', '.join(part.strip() for part in found[0].split(','))}]"


def _with_commas(found: re.Match[str]) -> str:
    members = (part.strip().replace(",", ".") for part in found[1].split(";"))
    return f"[{', '.join(members)}]"


#: What a slip looks like, what is wrong, and how it is written; the first that is found is told.
_SLIPS: tuple[tuple[str, str, Callable[[re.Match[str]], str]], ...] = (
    (rf"[{_QUOTES}]([^{_QUOTES}\"]*)[{_QUOTES}]", "is in curly quotes", _straight),
    (r"\b(\d{1,2})([./-])(\d{1,2})[./-](\d{4})\b", "is a date in another order", _date),
    (r"\b(\d{4})[-./](0?\d|1[0-2])[-./](\d{1,2})\b(?!-)", "is a date in another form", _whole_date),
    (r"\[([^\[\]]*;[^\[\]]*)\]", "is a list with semicolons", _with_commas),
    (
        rf"(?<==)\s*{_NUMBER}(?:\s*,\s*{_NUMBER}){{2,}}|(?<==)\s*{_NUMBER}(?:\s*,\s+{_NUMBER})+",
        "is a list without brackets", _in_brackets,
    ),
    (r"(?<![\d.\[,])([-+]?\d+),(\d+)(?!\d|,\d)", "has a decimal comma", lambda m: f"{m[1]}.{m[2]}"),
    (rf"({_NUMBER})\s*{_UNIT}(?!\w)", "has a unit", lambda m: m[1]),
    (rf"[{_DASHES}](\d+(?:\.\d+)?)", "has a dash for a minus", lambda m: f"-{m[1]}"),
    (r"\b(?:True|TRUE|yes|Yes)\b", "is another word", lambda _: "true"),
    (r"\b(?:False|FALSE|no|No)\b", "is another word", lambda _: "false"),
    (r"(?<==)\s*([A-Za-z][\w .-]*\w)\s*$", "is text without quotes", _straight),
)


def slip_in(typed: str) -> Slip | None:
    """Find the slip in what was typed.

    Args:
        typed: A value, or a line of a file without its comments and texts.

    Returns:
        The slip; None where none is known.

    >>> str(slip_in("pin_distance = 32,4"))
    '32,4 has a decimal comma; write 32.4'
    >>> str(slip_in("11.02.2032")), str(slip_in("32.4 mm"))
    ('11.02.2032 is a date in another order; write 2032-02-11', '32.4 mm has a unit; write 32.4')
    """
    for looks, what, right in _SLIPS:
        found = re.search(looks, typed[:_MOST_CHARACTERS])
        if found and right(found) != found[0].strip():
            return Slip(found[0].strip(), what, right(found))
    return None
