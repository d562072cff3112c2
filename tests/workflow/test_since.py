"""What held when rods were ordered is kept with them, and said as of then."""

from __future__ import annotations

import pytest

from labkit.documents.case_sheet import facts
from labkit.workflow.sets.standing import with_standing
from tests.support import dry
from tests.support.making import recorder_for
from tests.support.recorded import parallel
from tests.workflow.test_recall import withdraw
from tests.workflow.test_standing import replaced, shorten

EARLIER = (
    "percentages are those of prescription revision 1, from which these rods were first made; "
    "prescription revision 2 holds now and may give them others (labkit show)"
)


@pytest.fixture
def book(tmp_path):
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


@pytest.fixture
def spec(book):
    """A rod made once more on revision 2, which a third one followed."""
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    made = dry.finished(book, replaced(book))
    withdraw(book)
    return made


def findings(spec):
    return " ".join(facts(spec)["findings"])


def test_the_notes_kept_say_when_they_were_true(spec):
    assert [f["message"] for f in spec["lengths"]["findings"] if f["code"] == "earlier_revision"] \
        == ["when these rods were ordered, prescription revision 2 held; percentages are those of "
            "revision 1, from which these rods were first made (labkit sheet A shows those of "
            "today)"]
    assert "When these rods were ordered, the left rod 27.8 made more than 100 %" in findings(spec)


def test_a_paper_that_knows_what_holds_leaves_them_out(spec, book):
    """Revision 3 holds, and the rod makes 100 % again."""
    said = findings(with_standing(spec, book.ledger))
    assert "revision 2" not in said
    assert "above 100 %" not in said


def test_notes_in_earlier_words_are_put_in_the_past(spec, book):
    for one in spec["lengths"]["findings"]:
        if one["code"] == "earlier_revision":
            one["message"] = EARLIER
    said = findings(with_standing(spec, None))
    assert "prescription revision 2 held then and might give them others" in said
    assert "holds now" not in said
