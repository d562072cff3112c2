"""Breaks a sentence between words at a terminal's edge; what must not be cut stays on one line."""

from __future__ import annotations

import re
import textwrap

from rich.console import Console

#: Kept on one line: commands to be copied, which stand in backticks, safety words, identifiers, and
#: numbers with their unit.
_TOGETHER = re.compile(
    r"`[^`]*`|NOT TO BE WORN|not to be worn|(?:\d{4} )?\d{3} \d{3} \d{4}|\d[\d.]* (?:mm|%|°)"
)
#: What the lines of one sentence hang under: a label of a list of facts, or a bullet.
_HANGING = re.compile(r" *- | +\S.*?  +(?=\S)| +")
#: Stands for a space that is no place to break; nobody types it.
_NO_BREAK = "\x00"


def folded(sentence: str, width: int) -> str:
    """Break a sentence into lines between words.

    Args:
        width: Columns of the terminal.

    Returns:
        The same words; a word or command that is wider stands on a line of its own, uncut.

    >>> print(folded("it is NOT TO BE WORN; ask it back: `labkit rod 31.6L returned`", 20))
    it is
    NOT TO BE WORN; ask
    it back:
    `labkit rod 31.6L returned`
    """
    if len(sentence) <= width or sentence.lstrip().startswith("labkit "):
        return sentence  # a command on a line of its own is there to be copied
    hanging = _HANGING.match(sentence)
    room = len(hanging[0]) if hanging else 0
    kept = _TOGETHER.sub(lambda words: words[0].replace(" ", _NO_BREAK), sentence)
    lines = textwrap.wrap(
        kept, width, subsequent_indent=" " * (room if room <= width // 2 else 0),
        break_long_words=False, break_on_hyphens=False, replace_whitespace=False,
    )
    return "\n".join(lines).replace(_NO_BREAK, " ")


def print_sentence(console: Console, sentence: str, style: str | None = None) -> None:
    """Print a sentence: on a terminal in lines of whole words, elsewhere on one line."""
    told = folded(sentence, console.width) if console.is_terminal else sentence
    console.print(told, markup=False, soft_wrap=True, style=style)
