"""The words that a person reads are those of the guide's words page."""

from __future__ import annotations

import functools
import re

from labkit.catalog import guide
from tests.support.sentences import Said, sentences

#: The page itself, and the words of earlier records by which these are recognised.
ELSEWHERE = {"labkit/guide/words.md", "labkit/documents/told_then.py"}
_AVOIDED, _FINE = {}, []
for _row in guide.page("words").split("| we say | not | but |")[1].splitlines()[2:]:
    _, _ours, _not, _but, _ = (cell.strip() for cell in _row.split("|"))
    _AVOIDED |= {word: _ours for word in _not.split(", ")}
    _FINE += re.findall(r'"([^"]*)"', _but)
_RIGHT = re.compile(r"\b(" + "|".join(map(re.escape, _FINE)) + r")\b", re.IGNORECASE)


@functools.cache
def everything() -> tuple[Said, ...]:
    return tuple(sentences())


def _pattern(word: str) -> str:
    """A word that is written with a capital opens a sentence."""
    either = re.escape(word) if word[0].isupper() else f"(?i:{re.escape(word)})"
    return rf"\b{either}\b"


_WRONG = re.compile("|".join(map(_pattern, _AVOIDED)))


def avoided(said: Said) -> list[str]:
    """Give the words of a text that are not used here."""
    return _WRONG.findall(_RIGHT.sub("", said.text))


def test_no_text_has_a_word_that_we_do_not_use():
    wrong = [
        f"{said.where}:{said.line}: {', '.join(found)}: {said.text}"
        for said in everything() if said.where not in ELSEWHERE and (found := avoided(said))
    ]  # fmt: skip
    assert not wrong, "\n".join(wrong)


def test_texts_of_every_kind_are_read():
    """Messages, help of commands, papers, pages of the browser, the clinic's sheet, the guide."""
    texts = {said.text for said in everything()}
    for part in (
        "nothing was recorded",
        "Make a spacer set: STEP, STL and 3MF files, checked as written, and the papers.",
        "Use the left and the right rod of the same step; never mix steps.",
        "Rods, and what each pair makes",
        "The laboratory works out what would be made.",
        "It never chooses a therapy: start, steps and limits are the prescriber's.",
    ):
        assert any(part in text for text in texts), part


def test_words_are_found_where_they_are_wrong_and_only_there():
    def found(text: str) -> list[str]:
        return avoided(Said("", 1, text))

    assert found("The sheet tells the range, and the release stands.") == ["tells", "stands"]
    assert found("Two cases can be told apart; rods stand upright.") == []
    assert found("Printed are the papers; the papers Printed by it are") == ["Printed are"]
