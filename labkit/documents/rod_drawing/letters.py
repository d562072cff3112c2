"""Widths of words in the documents' font, for setting and checking a drawing without it."""

from __future__ import annotations

import unicodedata

#: Height of capitals and of the em square of Noto Sans, in its units.
CAPITAL, EM = 714, 1000
#: Advance widths of Noto Sans Regular, in its units, by width.
_BY_WIDTH = {
    225: "'",
    258: "ijl",
    260: " ",
    268: ",.:;",
    269: "!",
    273: "J",
    281: "`",
    300: "()",
    322: "-",
    329: "[]",
    339: "I",
    344: "f",
    361: "t",
    372: "/\\",
    380: "{}",
    408: "\"",
    413: "r",
    428: "°",
    434: "?",
    444: "_",
    470: "z",
    479: "s",
    480: "c",
    500: "–",
    508: "v",
    510: "y",
    519: "F",
    524: "L",
    529: "x",
    534: "k",
    549: "S",
    551: "*|",
    556: "ET",
    561: "a",
    564: "e",
    566: "Y",
    572: "$+0123456789<=>Z^~±×−",
    586: "X",
    600: "V",
    605: "Po",
    615: "bdgpq",
    618: "hnu",
    619: "K",
    622: "R",
    623: "µ",
    632: "C",
    639: "A",
    646: "#",
    650: "B",
    728: "G",
    730: "D",
    731: "U",
    732: "&",
    741: "H",
    760: "N",
    781: "OQØ",
    786: "w",
    791: "…",
    831: "%",
    899: "@",
    907: "M",
    930: "W",
    935: "m",
    1000: "—",
}
_WIDTH = {character: width for width, group in _BY_WIDTH.items() for character in group}
#: Letters of other scripts come from other fonts: a generous guess, and a full em for wide ones.
_OTHER, _WIDE = 650, 1000
#: Advance of Noto Emoji: 2600 of 2048.
_EMOJI = 1270
ELLIPSIS, JOINER = "…", "\u200d"


def width_mm(words: str, height_mm: float) -> float:
    """Estimate the width of a line of words.

    Returns:
        Sum of the letters' widths, mm; exact for the characters of drawings, a guess for other
        scripts.

    >>> round(width_mm("33.6", 2.5), 2)
    6.95
    """
    return sum(_letter(one) for one in words) * height_mm / CAPITAL


def is_known(words: str) -> bool:
    """Tell whether the width of every letter is known, not guessed."""
    return all(one in _WIDTH for one in words)


def _letter(one: str) -> int:
    known = _WIDTH.get(one)
    if known is not None:
        return known
    if unicodedata.combining(one) or unicodedata.category(one) in ("Mn", "Cf"):
        return 0
    if unicodedata.category(one) in ("So", "Sk"):
        return _EMOJI
    return _WIDE if unicodedata.east_asian_width(one) in ("W", "F") else _OTHER


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
