"""Cells that a spreadsheet takes for text."""

from __future__ import annotations

#: Characters with which a formula can begin, ASCII and full-width.
_FORMULA = tuple("=+-@＝＋－＠")


def cell(text: str) -> str:
    """Keep a spreadsheet from taking text for a formula: such text gets an apostrophe first.

    >>> cell("=1+1"), cell(" +1"), cell("QF-1043")
    ("'=1+1", "' +1", 'QF-1043')
    """
    return f"'{text}" if text.lstrip()[:1] in _FORMULA and text.strip() else text
