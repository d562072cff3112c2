"""The words we do not use, as the guide's words page lists them, and where they are read."""

from __future__ import annotations

import functools
import re

from labkit.catalog import guide
from tests.support.sentences import Said, sentences

#: The page itself, and the words of earlier records by which these are recognised.
ELSEWHERE = {"labkit/guide/words.md", "labkit/documents/told_then.py"}
_AVOIDED: list[str] = []
_FINE: list[str] = []
for _row in guide.page("words").split("| we say | not | but |")[1].splitlines()[2:]:
    _, _, _not, _but, _ = (cell.strip() for cell in _row.split("|"))
    _AVOIDED += _not.split(", ")
    _FINE += re.findall(r'"([^"]*)"', _but)
_RIGHT = re.compile(r"\b(" + "|".join(map(re.escape, _FINE)) + r")\b", re.IGNORECASE)


@functools.cache
def everything() -> tuple[Said, ...]:
    """Give every text that a person reads."""
    return tuple(sentences())


def _pattern(word: str) -> str:
    """A word that is written with a capital opens a sentence."""
    either = re.escape(word) if word[0].isupper() else f"(?i:{re.escape(word)})"
    return rf"\b{either}\b"


_WRONG = re.compile("|".join(map(_pattern, _AVOIDED)))


def avoided(said: Said) -> list[str]:
    """Give the words of a text that are not used here."""
    return _WRONG.findall(_RIGHT.sub("", said.text))


def words_avoided() -> list[str]:
    """Give every text of the project that has a word we do not use, with its place."""
    return [
        f"{said.where}:{said.line}: {', '.join(found)}: {said.text}"
        for said in everything() if said.where not in ELSEWHERE and (found := avoided(said))
    ]
