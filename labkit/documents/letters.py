"""Widths of words in the documents' fonts, and lines that are not too wide."""

from __future__ import annotations

import unicodedata

from labkit.documents.glyphs import PLAIN_FONTS, REGULAR, advance, advances

#: Heights of capitals and of small letters in parts of the size of Noto Sans.
CAPITAL, SMALL_LETTER = 0.714, 0.536
#: Width in parts of the size that is left for a character that no font has.
_UNKNOWN = 1.0
ELLIPSIS, JOINER = "…", "\u200d"


def width_mm(words: str, height_mm: float, font: str = REGULAR) -> float:
    """Work out the width of a line of words, of characters set one by one.

    Args:
        height_mm: Height of capitals.

    Returns:
        Sum of the characters' widths, mm; in scripts whose letters join, nearly the width.

    >>> round(width_mm("33.6", 2.5), 2)
    6.95
    """
    return sum(_letter(one, font) for one in words) * height_mm / CAPITAL


def is_plain(words: str) -> bool:
    """Tell whether the line is as wide as its characters are, however a program sets it."""
    return all(any(ord(one) in advances(font) for font in PLAIN_FONTS) for one in words)


def _letter(one: str, font: str) -> float:
    if unicodedata.category(one) in ("Mn", "Me", "Cf"):
        return 0.0
    width = advance(one, font)
    return _UNKNOWN if width is None else width


def wrapped(words: str, height_mm: float, most_mm: float) -> list[str]:
    """Break words into lines that are not wider than allowed, between words where possible.

    >>> wrapped("one two three", 2.5, 14.0)
    ['one two', 'three']
    """
    lines: list[str] = []
    line = ""
    for word in words.split():
        longer = f"{line} {word}" if line else word
        if line and width_mm(longer, height_mm) > most_mm:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines


def in_lines(words: str, height_mm: float, rooms_mm: tuple[float, float]) -> list[str]:
    """Break words into at most two lines, and cut them with an ellipsis if they are longer still.

    Returns:
        One or two lines, broken at a space unless only a break inside a word saves all words.

    >>> in_lines("one two three four", 2.5, (19.0, 20.0))
    ['one two', 'three four']
    >>> in_lines("one two three four five six", 2.5, (16.0, 18.0))
    ['one two', 'three fou…']
    """
    for room in rooms_mm:
        if width_mm(words, height_mm) <= room:
            return [words]
        for first in _first_lines(words, height_mm, room):
            rest = words[len(first):].lstrip()
            if width_mm(rest, height_mm) <= room:
                return [first.rstrip(), rest]
    first = _first_lines(words, height_mm, rooms_mm[1])[0]
    left = rooms_mm[1] - width_mm(ELLIPSIS, height_mm)
    rest = words[len(first):].lstrip()
    return [first.rstrip(), _head(rest, height_mm, left).rstrip() + ELLIPSIS]


def _first_lines(words: str, height_mm: float, most_mm: float) -> list[str]:
    """Give what the first line may hold: up to the last space that fits, and up to any letter."""
    head = _head(words, height_mm, most_mm)
    space = len(head) if words[len(head):].startswith(" ") else head.rfind(" ")
    return [words[:space], head] if space > 0 else [head]


def _head(words: str, height_mm: float, most_mm: float) -> str:
    """Give the longest beginning that fits, with what belongs to its last letter."""
    end = 0
    for at in range(1, len(words) + 1):
        whole = at == len(words) or not (_joins(words[at]) or words[at - 1] == JOINER)
        if whole and width_mm(words[:at], height_mm) > most_mm:
            break
        end = at if whole else end
    return words[:end]


def _joins(one: str) -> bool:
    """Tell whether a character belongs to the one before it: accents, joiners, skin tones."""
    return unicodedata.category(one) in ("Mn", "Me", "Mc", "Cf") or "\U0001f3fb" <= one <= (
        "\U0001f3ff"
    )
