"""The documents' own fonts: what they show, how wide it is, and what stands for the rest."""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labkit.catalog.places import templates_dir

Numbers = NDArray[np.int64]
#: Characters that space, break or join letters and need no shape. All other control and format
#: characters, among them those that turn the direction of a line, are shown by their code point.
STEERING = frozenset(map(ord, "\t\n\u00ad\u061c\u200b\u200c\u200d\u200e\u200f\u2028\u2029\u2060"))
#: They choose between the plain and the coloured look of the emoji before them; both are printed
#: in black, from this font.
VARIATIONS = frozenset((0xFE0E, 0xFE0F))
EMOJI_FONT = "NotoEmoji-Regular"
REGULAR, BOLD = "NotoSans-Regular", "NotoSans-Bold"
#: Where a character is looked for, in the order of the documents' templates.
FONTS = (
    REGULAR, "NotoSansMath-Regular", "NotoSansArabic-Regular", "NotoSansHebrew-Regular",
    "NotoSansDevanagari-Regular", "NotoSansThai-Regular", "NotoSansSymbols2-Regular",
    "DroidSansFallbackFull", "NanumGothicCoding", EMOJI_FONT,
)
#: These set each character by itself: the width of a line is the sum of its characters'.
PLAIN_FONTS = FONTS[:2]


def fonts_dir() -> Path:
    """Give the folder of the documents' own fonts."""
    return templates_dir() / "documents" / "fonts"


def showable(value: Any) -> Any:
    """Replace what no font can show by its code point, throughout JSON content.

    Args:
        value: Text, numbers, lists and tables of them.

    Returns:
        The same content; a character without a shape, or one that would turn the line around,
        has become its code point in angle brackets.

    >>> showable(["plain", "\U0010fffd"])
    ['plain', '⟨U+10FFFD⟩']
    """
    if isinstance(value, str):
        text = _lines(value)
        if text.isascii() and text.replace("\n", "").isprintable():
            return text
        return "".join(
            c if _has_shape(c) and not _is_stray(text, at) else f"⟨U+{ord(c):04X}⟩"
            for at, c in enumerate(text)
        )
    if isinstance(value, dict):
        return {name: showable(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [showable(item) for item in value]
    return value


def _lines(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _has_shape(character: str) -> bool:
    if ord(character) in STEERING:
        return True
    return (
        unicodedata.category(character) not in ("Cc", "Cf") and advance(character) is not None
    )


def _is_stray(text: str, at: int) -> bool:
    """Tell whether a variation selector stands where no emoji can take it.

    >>> _is_stray("\u2764\ufe0f", 1), _is_stray("a\ufe0f", 1), _is_stray("a", 0)
    (False, True, False)
    """
    if ord(text[at]) not in VARIATIONS:
        return False
    before = ord(text[at - 1]) if at else 0x20
    return before in VARIATIONS | {0x20} or before not in advances(EMOJI_FONT)


@cache
def advances(font: str) -> dict[int, float]:
    """Give the advance widths of a font's characters by code point, in parts of its size.

    Source: OpenType 1.9, tables `cmap` (formats 4 and 12), `head`, `hhea` and `hmtx`.
    """
    data = (fonts_dir() / f"{font}.ttf").read_bytes()
    count = _unsigned(data, 4)
    at = {data[row : row + 4]: int.from_bytes(data[row + 8 : row + 12]) for row in
          range(12, 12 + 16 * count, 16)}
    em, measured = _unsigned(data, at[b"head"] + 18), _unsigned(data, at[b"hhea"] + 34)
    # The last width holds for all glyphs after it.
    widths = np.frombuffer(data, ">u2", 2 * measured, at[b"hmtx"])[::2] / em
    codes, glyphs = _characters(data, at[b"cmap"])
    found = widths[np.minimum(glyphs, measured - 1)][glyphs > 0]
    return dict(zip(codes[glyphs > 0].tolist(), found.tolist(), strict=True))


def _characters(data: bytes, cmap: int) -> tuple[Numbers, Numbers]:
    """Give the code points that a font has, rising, and their glyphs, 0 for none."""
    records = range(cmap + 4, cmap + 4 + 8 * _unsigned(data, cmap + 2), 8)
    tables = [cmap + int.from_bytes(data[record + 4 : record + 8]) for record in records]
    by_format = {_unsigned(data, table): table for table in tables}
    if 12 in by_format:
        table = by_format[12]
        count = int.from_bytes(data[table + 12 : table + 16])
        first, last, glyph = np.frombuffer(data, ">u4", 3 * count, table + 16).reshape(-1, 3).T
        codes, group = _ranges(first.astype(np.int64), last.astype(np.int64))
        return codes, codes - first[group] + glyph[group]
    table = by_format[4]
    count = _unsigned(data, table + 6) // 2
    last, first, shift, place = (
        np.frombuffer(data, ">u2", count, table + 14 + 2 * offset).astype(np.int64)
        for offset in (0, count + 1, 2 * count + 1, 3 * count + 1)
    )
    codes, group = _ranges(first, last)
    glyphs = codes.copy()
    # A segment's glyphs follow from its code points, or stand in a list behind the segments.
    listed = np.nonzero(place[group])[0]
    words = np.frombuffer(data, ">u2", (len(data) - table) // 2, table)
    at = 7 + 3 * count + 1 + group + place[group] // 2 + codes - first[group]
    glyphs[listed] = words[at[listed]]
    missing = np.zeros(len(codes), dtype=bool)
    missing[listed] = glyphs[listed] == 0
    return codes, np.where(missing, 0, (glyphs + shift[group]) % 65536)


def _ranges(first: Numbers, last: Numbers) -> tuple[Numbers, Numbers]:
    """Write ranges out: each number, and which range it is of."""
    count = last - first + 1
    group = np.repeat(np.arange(len(count)), count)
    return np.arange(len(group)) - (np.cumsum(count) - count - first)[group], group


def _unsigned(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 2])


@cache
def advance(character: str, font: str = REGULAR) -> float | None:
    """Give the width of a character in parts of its size, None where no font has it.

    Args:
        font: Where it is looked for first.

    >>> advance("3"), advance("−"), advance("\U0010fffd")
    (0.572, 0.572, None)
    """
    code = ord(character)
    return next((own[code] for name in (font, *FONTS) if code in (own := advances(name))), None)
