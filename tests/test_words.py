"""What reads every text of the project: every kind of text, and the words we do not use in it."""

from __future__ import annotations

from tests.support.avoided_words import avoided, everything
from tests.support.sentences import Said


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
