"""Rods beyond the maximum that holds now do not leave the lab without a word."""

from __future__ import annotations

import pytest

from labkit.core.case.identifier import grouped
from labkit.errors import RefusedError
from labkit.ledger.events import Kind
from labkit.workflow.rods.life import Told, tell
from tests.support import dry
from tests.support.making import START, recorder_for
from tests.support.recorded import parallel
from tests.workflow.test_standing import last_rod, shorten

WHO = ("anna", START)


@pytest.fixture
def book(tmp_path):
    """A set that came back after its range was shortened from 9.2 to 8.4 mm."""
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        dry.first_set(recorder, parallel("A"))
        tell(recorder.ledger, ("A-r1",), Told("delivered", unreleased="on paper"), *WHO)
        shorten(recorder, parallel("A"))
        tell(recorder.ledger, ("A-r1",), Told("returned"), *WHO)
        yield recorder


def test_they_are_not_delivered_again(book):
    one, before = last_rod(book), book.ledger.head()
    with pytest.raises(RefusedError) as found:
        tell(book.ledger, (one.identifier,), Told("delivered"), *WHO)
    assert found.value.message == (
        f"the left rod 27.8, {grouped(one.identifier)}, is "
        "NOT TO BE WORN: it makes 109.5 %, 0.80 mm beyond the maximum, on what holds now; keep it "
        "in the lab and record it as withdrawn, or say with --unreleased why it leaves the lab all "
        "the same; nothing was recorded"
    )
    assert book.ledger.head() == before


def test_what_leaves_all_the_same_is_told_with_the_words(book):
    one = last_rod(book).identifier
    told = tell(book.ledger, (one,), Told("delivered", unreleased="to be ground"), *WHO)
    assert told.table("Recorded").rows[0][-1] == "NOT TO BE WORN"
    assert told.data["rods"][0]["not_to_be_worn"] is True
    last = book.ledger.current("A", Kind.ROD_STATE)[-1]
    assert last.body["reason"] == "handed out all the same: to be ground"
    back = tell(book.ledger, (one,), Told("returned"), *WHO)
    assert back.table("Recorded").rows[0][-1] == ""


def test_the_others_are_delivered(book):
    others = tuple(rod.identifier for rod in book.ledger.rods("A") if rod.step != 4)
    told = tell(book.ledger, others, Told("delivered"), *WHO)
    assert {row[-1] for row in told.table("Recorded").rows} == {""}
