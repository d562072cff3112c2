"""Which characters the documents' own fonts can show, and what stands for the others."""

from __future__ import annotations

import struct
import unicodedata
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from labkit.catalog.places import templates_dir

#: Characters that space, break or join letters and need no shape. All other control and format
#: characters, among them those that turn the direction of a line, are shown by their code point.
STEERING = frozenset(map(ord, "\t\n\u00ad\u061c\u200b\u200c\u200d\u200e\u200f\u2028\u2029\u2060"))
#: They choose between the plain and the coloured look of the emoji before them; both are printed
#: in black, from this font.
VARIATIONS = frozenset((0xFE0E, 0xFE0F))
EMOJI_FONT = "NotoEmoji-Regular.ttf"

_TABLE = struct.Struct(">4sLLL")
_SUBTABLE = struct.Struct(">HHL")


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
    code = ord(character)
    if code in STEERING:
        return True
    return unicodedata.category(character) not in ("Cc", "Cf") and code in covered()


def _is_stray(text: str, at: int) -> bool:
    """Tell whether a variation selector stands where no emoji can take it.

    >>> _is_stray("\u2764\ufe0f", 1), _is_stray("a\ufe0f", 1), _is_stray("a", 0)
    (False, True, False)
    """
    if ord(text[at]) not in VARIATIONS:
        return False
    return at == 0 or ord(text[at - 1]) not in _emoji()


@lru_cache(maxsize=1)
def _emoji() -> frozenset[int]:
    return frozenset(code_points((fonts_dir() / EMOJI_FONT).read_bytes())) - VARIATIONS - {0x20}


@lru_cache(maxsize=1)
def covered() -> frozenset[int]:
    """Collect the code points that at least one of the fonts has a shape for."""
    files = sorted(fonts_dir().glob("*.ttf"))
    return frozenset(code for path in files for code in code_points(path.read_bytes()))


def code_points(font: bytes) -> Iterator[int]:
    """Yield the code points in the character map of a TrueType font.

    Returns:
        Code points that map to a glyph; formats 4 and 12 are read, which hold all Unicode maps
        in use.

    Source: OpenType 1.9, table `cmap`.
    """
    count = struct.unpack_from(">H", font, 4)[0]
    tables = {
        tag: offset
        for tag, _, offset, _ in (_TABLE.unpack_from(font, 12 + 16 * i) for i in range(count))
    }
    start = tables[b"cmap"]
    subtables = struct.unpack_from(">H", font, start + 2)[0]
    for index in range(subtables):
        platform, _, offset = _SUBTABLE.unpack_from(font, start + 4 + 8 * index)
        if platform in (0, 3):
            yield from _subtable(font, start + offset)


def _subtable(font: bytes, at: int) -> Iterator[int]:
    form = struct.unpack_from(">H", font, at)[0]
    if form == 4:
        yield from _segments(font, at)
    elif form == 12:
        groups = struct.unpack_from(">L", font, at + 12)[0]
        for index in range(groups):
            first, last, glyph = struct.unpack_from(">LLL", font, at + 16 + 12 * index)
            yield from range(first + (glyph == 0), last + 1)


def _segments(font: bytes, at: int) -> Iterator[int]:
    count = struct.unpack_from(">H", font, at + 6)[0] // 2
    ends, starts = at + 14, at + 16 + 2 * count
    deltas, ranges = starts + 2 * count, starts + 4 * count
    for index in range(count):
        end, first, delta, offset = (
            struct.unpack_from(">H", font, base + 2 * index)[0]
            for base in (ends, starts, deltas, ranges)
        )
        for code in range(first, min(end, 0xFFFE) + 1):
            glyph = code
            if offset:
                place = ranges + 2 * index + offset + 2 * (code - first)
                glyph = struct.unpack_from(">H", font, place)[0]
            if glyph and (glyph + delta) & 0xFFFF:
                yield code
