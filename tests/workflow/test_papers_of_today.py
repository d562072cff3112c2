"""What a set's papers say of today: entry and day, series, empty places, 100 % within rounding."""

from __future__ import annotations

import pytest

from labkit.catalog.profiles import default_profile
from labkit.core.case.identifier import grouped
from labkit.documents.fitting import rods_at_hand
from labkit.documents.papers import PAPERS, wearers_facts
from labkit.documents.render import compile_pdf
from labkit.documents.standing import standing_sentences, words_on
from labkit.ledger.events import Kind
from labkit.workflow.sets.standing import with_standing
from tests.documents.pdfs import reader, squeezed, text_of
from tests.support import dry
from tests.support.making import START, recorder_for
from tests.support.recorded import parallel, unequal
from tests.workflow.test_standing import in_between, last_rod, replaced, shorten


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
    seq = revised(book, parallel("A").replace("protruded = 5.2", "protruded = 4.4"))
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
    empty = f"Empty place: step 4, left: the rod 27.8 ({grouped(rod.identifier)}) is rejected."
    facts = PAPERS[0].facts(shown)
    assert facts["standing"]["gone"] == [empty]
    assert empty in facts["now"]
    assert standing_sentences(shown) == ()


def test_a_place_that_another_rod_fills_is_told_on_the_first_sets_papers(book):
    spec = dry.first_set(book, parallel("A"))
    old = last_rod(book)
    new = replaced(book)["parts"][0]["uses"][0]["identifier"]
    (line,) = PAPERS[0].facts(with_standing(spec, book.ledger))["standing"]["gone"]
    assert line == f"Step 4, left, holds {grouped(new)} now, not {grouped(old.identifier)}."


def test_what_is_within_rounding_is_told_and_not_struck(book):
    """9.2 mm where 9.15 mm is the maximum; the rods' tolerance makes 0.1 mm."""
    spec = dry.first_set(book, parallel("A"))
    revised(book, parallel("A").replace("protruded = 5.2", "protruded = 5.15"))
    shown = with_standing(spec, book.ledger)
    assert words_on(shown).not_worn(shown) == []
    facts = PAPERS[0].facts(shown)
    assert [row["mark"] for row in facts["steps"]] == ["", "", "", "100 % within rounding"]
    assert facts["now"][0] == (
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
    """Advancement counts from the zero of now as percent does: both of 9.7 mm, not one of 9.2."""
    dry.first_set(book, parallel("A"))
    spec = dry.finished(book, in_between(book, "75"))
    revised(book, parallel("A").replace("retruded = -4", "retruded = -4.5"))
    shown = with_standing(spec, book.ledger)
    rows = PAPERS[0].facts(shown)["series"]
    made = [6.9, 7.4, 7.9, 8.8, 9.7]
    assert [float(row["advancement"]) for row in rows] == pytest.approx(made)
    assert [float(row["percent"]) for row in rows] == pytest.approx(
        [100 * mm / 9.7 for mm in made], abs=0.06)
    facts = PAPERS[0].facts(shown)
    paper = squeezed(text_of(compile_pdf(PAPERS[0].template, facts, default_profile(), {})))
    for head in ("Percent, now", "Advancement, mm, now", "from step before, now"):
        assert squeezed(head) in paper


@pytest.mark.parametrize("text", [parallel("A"), unequal("A", "hinged", "push")],
                         ids=["without marks", "L and R"])
def test_rods_at_home_and_at_the_trial_fit_are_those_in_circulation_now(book, text):
    """Not the one whose place was taken; the new rod stands beside the other one of its pair."""
    spec = dry.first_set(book, text)
    old, other = last_rod(book), last_rod(book, "right")
    before = rods_at_hand(spec)[-1]
    assert before["left_id"] == grouped(old.identifier)
    new = replaced(book)
    for papers_of in (spec, new):
        row = rods_at_hand(with_standing(papers_of, book.ledger))[-1]
        assert row["left_id"] == grouped(new["parts"][0]["uses"][0]["identifier"])
        assert row["right_id"] == grouped(other.identifier)
        assert (row["left"], row["right"]) == (before["left"], before["right"])
        tried = PAPERS[0].facts(with_standing(papers_of, book.ledger))["tried"]
        assert (tried["left"], tried["right"]) == (before["left"], before["right"])


def test_a_pair_with_an_empty_place_is_not_tried(book):
    """Step 4 has lost a rod, so step 3 is the furthest whole pair."""
    spec = dry.first_set(book, parallel("A"))
    body = {"identifier": last_rod(book).identifier, "state": "rejected", "reason": "too long"}
    book.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    shown = with_standing(spec, book.ledger)
    assert rods_at_hand(shown)[-1]["left"] == "–"
    third = rods_at_hand(spec)[2]
    tried = PAPERS[0].facts(shown)["tried"]
    assert tried == {
        "percent": "90.2", "place": "step 3", "left": third["left"], "right": third["right"]}


def test_a_sheet_of_one_rod_can_be_followed(book):
    """Rods at home are those of the case, and the pair nearest to 100 % is tried, of any set."""
    dry.first_set(book, parallel("A"))
    extra = dry.finished(book, in_between(book, "75"))
    for papers_of in (extra, dry.finished(book, replaced(book))):
        facts = PAPERS[0].facts(with_standing(papers_of, book.ledger))
        assert [(row["place"], row["percent"]) for row in facts["rods"]] == [
            ("set 1, step 1", "69.6"), ("set 2, step 1", "75.0"), ("set 1, step 2", "80.4"),
            ("set 1, step 3", "90.2"), ("set 1, step 4", "100.0")]
        assert facts["tried"] == {
            "percent": "100", "place": "set 1, step 4", "left": "27.8", "right": "27.8"}
    shorten(book, parallel("A"))
    facts = PAPERS[0].facts(with_standing(extra, book.ledger))
    assert facts["tried"] == {
        "percent": "98.8", "place": "set 1, step 3", "left": "28.7", "right": "28.7"}


def start_of(shown):
    """What a case sheet says of the start: at its head, and at which rows."""
    facts = PAPERS[0].facts(shown)
    rows = [row["step"] for row in facts["steps"] if row["start"]]
    series = [row["place"] for row in facts["series"] if row["start"]]
    return dict(facts["about"])["Start"], rows, series


def test_start_stands_where_it_is_the_start_now(book):
    text = parallel("A")
    spec = dry.first_set(book, text)
    assert start_of(with_standing(spec, book.ledger)) == ("step 1, 70 %", ["1"], [])
    extra = dry.finished(book, in_between(book, "75"))
    assert start_of(with_standing(extra, book.ledger)) == (
        "70 % on the prescription: set 1, step 1 (69.6 %, 30.6/30.6)", [], ["set 1, step 1"])
    shorten(book, text)
    for papers_of in (spec, extra):
        assert start_of(with_standing(papers_of, book.ledger)) == (
            "70 % on the prescription; no pair in circulation makes it now. Ask the prescriber "
            "which pair comes first.", [], [])


def test_no_start_is_told_as_none(book):
    spec = dry.first_set(book, parallel("A").replace("start = 70\n", ""))
    assert start_of(with_standing(spec, book.ledger)) == ("none named on the prescription", [], [])


def test_an_inspection_form_has_rows_of_rods_that_can_be_measured(book):
    """A lost one has none and is named; one that came back has one, and its state."""
    spec = dry.first_set(book, parallel("A"))
    form = {paper.name: paper for paper in PAPERS}["inspection-form"]
    assert len(form.facts(with_standing(spec, book.ledger))["rows"]) == 8
    lost, back = last_rod(book), last_rod(book, "right")
    for rod, states in ((lost, ("delivered", "lost")), (back, ("delivered", "returned"))):
        for state in states:
            body = {"identifier": rod.identifier, "state": state, "reason": "told"}
            book.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    shown = with_standing(spec, book.ledger)
    facts = form.facts(shown)
    assert facts["left_out"] == [
        f"step 4, left, 27.8 ({grouped(lost.identifier)}): lost since 2031-03-14"]
    marks = {row["identifier"]: row["mark"] for row in facts["rows"]}
    assert len(marks) == 7
    assert marks[grouped(back.identifier)] == (
        "returned, in the lab since 2031-03-14: not in circulation")
    (csv,) = form.companions(shown).values()
    assert lost.identifier not in csv.decode().replace(" ", "")


def test_a_form_printed_again_names_a_rod_that_another_replaced(book):
    spec = dry.first_set(book, parallel("A"))
    old = last_rod(book)
    replaced(book)
    facts = PAPERS[3].facts(with_standing(spec, book.ledger))
    assert facts["left_out"] == [
        f"step 4, left, 27.8 ({grouped(old.identifier)}): replaced by another"]
    assert len(facts["rows"]) == 7


def test_an_extra_sets_paper_says_which_sets_percents_hold(book):
    text = parallel("A")
    dry.first_set(book, text)
    shorten(book, text)
    shown = with_standing(in_between(book, "81.5"), book.ledger)
    said, struck = standing_sentences(shown)
    assert said.endswith(
        "not the 9.20 mm that A-r1 was made for: the percentages given then for A-r1 no longer "
        "hold. Those of set 2 hold: it was made for the range that holds now.")
    assert struck.count("109.5") == 1
    assert struck.endswith(": 0.80 mm beyond the maximum that holds now. Take it out of use.")


def test_a_wearer_reads_of_struck_rods_in_plain_words(book):
    text = parallel("A")
    spec = dry.first_set(book, text)
    shorten(book, text)
    rods = ", ".join(grouped(last_rod(book, side).identifier) for side in ("left", "right"))
    shown = wearers_facts(with_standing(spec, book.ledger))["standing"]
    assert shown["lines"] == [
        f"NOT TO BE WORN: the rods 27.8 left and 27.8 right ({rods} on their bags). "
        "Do not put them in; take them back to the clinic."]
    assert (shown["statement"], shown["gone"]) == ("", [])
    unknown = wearers_facts(with_standing(spec, None))["standing"]
    assert unknown["statement"] == "Ask your clinic which of these rods you may wear."


def test_what_is_not_to_be_worn_is_not_to_be_tried_and_leaves_no_empty_page(book):
    """One instruction for the trial fit; the wearer has two pages also with the words on top."""
    text = parallel("A")
    spec = dry.first_set(book, text)
    assert PAPERS[0].facts(with_standing(spec, book.ledger))["trial_fit"] == ""
    shorten(book, text)
    for papers_of in (spec, replaced(book)):
        shown = with_standing(papers_of, book.ledger)
        facts = PAPERS[0].facts(shown)
        assert facts["trial_fit"] == "Never try or fit rods marked NOT TO BE WORN."
        page = compile_pdf("wearers-page.typ", wearers_facts(shown), default_profile(), {})
        assert len(reader(page).pages) == 2
        rods = squeezed(text_of(page)).partition("ticks")[2].partition("belongtogether")[0]
        assert "28.7" in rods
        assert "27.8" not in rods


def test_a_mark_and_its_row_stand_on_one_page(book):
    """Twenty rows, each with a mark, take more than what is left of a page."""
    percents = str(list(range(5, 101, 5)))
    text = parallel("A").replace("[70, 80, 90, 100]", percents)
    spec = dry.first_set(book, text)
    revised(book, text.replace("protruded = 5.2", "protruded = -1"))
    facts = PAPERS[0].facts(with_standing(spec, book.ledger))
    pages = reader(compile_pdf(PAPERS[0].template, facts, default_profile(), {})).pages
    texts = [squeezed(page.extract_text()) for page in pages]
    found = set()
    for row in facts["rods"]:
        mark = squeezed(f"{row['right_id']} {row['place']} {row['place']}: NOT TO BE WORN")
        (at,) = (number for number, page in enumerate(texts) if mark in page)
        found.add(at)
    assert len(found) == 2
