"""Words in DXF: every character stands for itself, nothing acts as a code."""

from __future__ import annotations

import re
import unicodedata

#: Behind a percent sign that another follows, and behind a backslash.
_CUT = re.compile(r"(?<=%)(?=%)|(?<=\\)")
#: Fonts of CAD programs seldom have the minus sign and the dash.
_PLAINER = {"−": "-", "–": "-"}


def literal_pieces(words: str) -> list[str]:
    r"""Cut words where a program would take characters for a code (%%c, \P, \U+0041).

    The pieces, set side by side, show every character as typed, in every program; there is no
    spelling of such codes that all programs read alike.

    Returns:
        Contents of TEXT entities, from left to right; usually one.

    >>> literal_pieces("50%%c ^J"), literal_pieces("a-b")
    (['50%', '%c ^J'], ['a-b'])
    """
    shown = "".join(_one(character) for character in words)
    return [piece for piece in _CUT.split(shown) if piece]


def content(piece: str) -> str:
    """Give the content of the TEXT entity for a piece.

    By the DXF reference a caret starts a control code; followed by a space it is a caret.

    >>> content("50%"), content("x^J")
    ('50%', 'x^ J')
    """
    return piece.replace("^", "^ ")


def dimension_words(words: str) -> str:
    """Write words for a dimension, which are formatted text: braces and backslashes are codes.

    >>> dimension_words("4× R3")
    '4× R3'
    """
    shown = "".join(_one(character) for character in words)
    for code in "\\{}":
        shown = shown.replace(code, f"\\{code}")
    return shown.replace("^", "^ ")


def _one(character: str) -> str:
    if unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp"):
        return " "
    return _PLAINER.get(character, character)
