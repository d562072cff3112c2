"""The documents' own fonts: what they show, how wide it is, and what stands for the rest."""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path
from typing import Any

from labkit.catalog.places import templates_dir

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

    Source: OpenType 1.9, tables `cmap` and `hmtx`.
    """
    from fontTools.ttLib import TTFont

    with TTFont(fonts_dir() / f"{font}.ttf", lazy=True) as opened:
        em, widths = opened["head"].unitsPerEm, opened["hmtx"].metrics
        glyphs = opened.getBestCmap()
        return {code: widths[glyph][0] / em for code, glyph in glyphs.items()}


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
