"""Words in DXF: every character stands for itself, nothing acts as a code."""

from __future__ import annotations

import re
import unicodedata

#: Behind a percent sign that another follows, behind a caret and behind a backslash.
_CUT = re.compile(r"(?<=%)(?=%)|(?<=\^)|(?<=\\)")
#: Fonts of CAD programs seldom have the minus sign and the dash.
_PLAINER = {"−": "-", "–": "-"}


def literal_pieces(words: str) -> list[str]:
    r"""Cut words where a program would take characters for a code (%%c, ^J, \P, \U+0041).

    The pieces, set side by side, show every character as typed, in every program; there is no
    spelling of such codes that all programs read alike.

    Args:
        words: The words.

    Returns:
        Contents of TEXT entities, from left to right; usually one.

    >>> literal_pieces("50%%c ^J"), literal_pieces("a-b")
    (['50%', '%c ^', 'J'], ['a-b'])
    """
    shown = "".join(_one(character) for character in words)
    return [piece for piece in _CUT.split(shown) if piece]


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
