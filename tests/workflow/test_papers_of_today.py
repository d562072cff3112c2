"""What a set's papers say of today: entry and day, series, empty places, 100 % within rounding."""

from __future__ import annotations

import pytest

from labkit.catalog.profiles import default_profile
from labkit.core.case.identifier import grouped
from labkit.documents.papers import PAPERS
from labkit.documents.render import compile_pdf
from labkit.documents.standing import not_worn, standing_sentences
from labkit.ledger.events import Kind
from labkit.workflow.sets.standing import with_standing
from tests.documents.pdfs import squeezed, text_of
from tests.support import dry
from tests.support.making import START, recorder_for
from tests.support.recorded import parallel
from tests.workflow.test_standing import in_between, last_rod, replaced


@pytest.fixture
def book(tmp_path):
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


def revised(book, text, reason="measured again"):
    """Record the next revision of a prescription."""
    body = {"revision": 2, "text": text, "reason": reason}
    return book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START).seq


def test_papers_bear_the_entry_and_the_day_for_which_they_are_true(book):
    """Of what comes later, that the set is made changes nothing; a new revision does."""
    spec = dry.first_set(book, parallel("A"))
    facts = PAPERS[0].facts(with_standing(spec, book.ledger))
    begun = book.ledger.sets("A")[0].started.seq
    assert facts["standing"]["as_of"] == f"True as of entry {begun} of the record, 2031-03-14."
    assert facts["standing"]["statement"] == ""
    seq = revised(book, parallel("A").replace("protruded = 6", "protruded = 5.2"))
    facts = PAPERS[0].facts(with_standing(spec, book.ledger))
    assert f"entry {seq} of the record" in facts["standing"]["as_of"]


def test_a_rod_out_of_circulation_gets_no_bag_label_and_its_place_is_named(book):
    spec = dry.first_set(book, parallel("A"))
    rod = last_rod(book)
    body = {"identifier": rod.identifier, "state": "rejected", "reason": "too long"}
    book.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    shown = with_standing(spec, book.ledger)
    labels = {paper.name: paper for paper in PAPERS}["bag-labels"].facts(shown)["labels"]
    assert len(labels) == 7
    assert grouped(rod.identifier) not in {label["identifier"] for label in labels}
    empty = f"Empty place: step 4, left: the rod 27.0 ({grouped(rod.identifier)}) is rejected."
    facts = PAPERS[0].facts(shown)
    assert facts["standing"]["gone"] == [empty]
    assert empty in facts["findings"]
    assert standing_sentences(shown) == ()


def test_a_place_that_another_rod_fills_is_told_on_the_first_sets_papers(book):
    spec = dry.first_set(book, parallel("A"))
    old = last_rod(book)
    new = replaced(book)["parts"][0]["uses"][0]["identifier"]
    (line,) = PAPERS[0].facts(with_standing(spec, book.ledger))["standing"]["gone"]
    assert line == f"Step 4, left, holds {grouped(new)} now, not {grouped(old.identifier)}."


def test_what_is_within_rounding_is_told_and_not_struck(book):
    """10 mm where 9.95 mm is the maximum; the rods' tolerance makes 0.1 mm."""
    spec = dry.first_set(book, parallel("A"))
    revised(book, parallel("A").replace("protruded = 6", "protruded = 5.95"))
    shown = with_standing(spec, book.ledger)
    assert not_worn(shown) == []
    facts = PAPERS[0].facts(shown)
    assert [row["mark"] for row in facts["steps"]] == ["", "", "", "100 % within rounding"]
    assert facts["findings"][0] == (
        "100 % within rounding: step 4 makes 100.5 %, 0.05 mm more than the maximum; its own "
        "tolerance makes ±0.10 mm."
    )


def test_a_first_sets_sheet_made_again_shows_the_rods_of_later_sets(book):
    spec = dry.first_set(book, parallel("A"))
    assert PAPERS[0].facts(with_standing(spec, book.ledger))["series"] == []
    dry.finished(book, in_between(book, "75"))
    rows = PAPERS[0].facts(with_standing(spec, book.ledger))["series"]
    assert [row["place"] for row in rows] == [
        "set 1, step 1", "set 2, step 1", "set 1, step 2", "set 1, step 3", "set 1, step 4"]
    assert not any(row["new"] for row in rows)


def test_a_series_on_another_zero_reading_tells_one_prescription(book):
    """Advancement counts from the zero of now as percent does: both of 10.5 mm, not one of 10."""
    dry.first_set(book, parallel("A"))
    spec = dry.finished(book, in_between(book, "75"))
    revised(book, parallel("A").replace("retruded = -4", "retruded = -4.5"))
    shown = with_standing(spec, book.ledger)
    rows = PAPERS[0].facts(shown)["series"]
    made = [7.5, 8, 8.5, 9.5, 10.5]
    assert [float(row["advancement"]) for row in rows] == pytest.approx(made)
    assert [float(row["percent"]) for row in rows] == pytest.approx(
        [100 * mm / 10.5 for mm in made], abs=0.06)
    facts = PAPERS[0].facts(shown)
    paper = squeezed(text_of(compile_pdf(PAPERS[0].template, facts, default_profile(), {})))
    for head in ("Percent, now", "Advancement, mm, now", "from step before, now"):
        assert squeezed(head) in paper
