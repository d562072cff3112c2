"""Recall: what is wrong under today's rules with what was delivered, and what to tell."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.documents.case_sheet import facts
from labkit.ledger.events import Kind
from labkit.workflow.record import lookup
from labkit.workflow.record import recorder as recorder_module
from labkit.workflow.record.lookup import all_cases
from labkit.workflow.record.printed import note_printed
from labkit.workflow.record.recall import recall, recall_report
from labkit.workflow.record.reports import cases_report
from labkit.workflow.record.standing import asked_back_of, standing_of_case
from labkit.workflow.record.story import told
from labkit.workflow.rods.trial_withdraw import withdraw_trial
from labkit.workflow.sets.standing import with_standing
from tests.support import dry
from tests.support.making import START, recorder_for
from tests.support.recorded import make_set, parallel, set_body, unequal
from tests.workflow.test_standing import in_between, last_rod, replaced, shorten


@pytest.fixture
def book(tmp_path):
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


def reasons(book):
    return {one.reason: one for one in recall(book.ledger)}


def test_rods_of_today_are_named_only_where_nothing_compensated_them(book):
    """The process of these sets is nominal: rods as printed may differ from their labels."""
    dry.first_set(book, parallel("A"))
    (one,) = recall(book.ledger)
    assert (one.reason, len(one.rods)) == ("made_uncompensated", 8)
    assert "A-r1 was made without compensation (process nominal)" in one.what
    basis = {"rods": [{"identifier": identifier} for identifier in one.rods[:6]]}
    release = {"set": "A-r1", "decision": "released", "basis": basis}
    book.ledger.record(Kind.RELEASE, "A", release, "kim", START)
    (left,) = recall(book.ledger)
    assert left.rods == one.rods[6:]  # the others were measured and released
    withheld = {**release, "decision": "withheld"}
    book.ledger.record(Kind.RELEASE, "A", withheld, "kim", START)
    assert list(recall(book.ledger)) == [one]


def test_a_shorter_range_recalls_papers_and_the_rods_beyond_it(book):
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    found = reasons(book)
    beyond = found["beyond_the_maximum"]
    assert beyond.what == (
        "set 1, step 4 (109.5 %, 27.8/27.8) is 0.80 mm beyond the maximum that holds now"
    )
    assert beyond.tell.startswith("NOT TO BE WORN: do not deliver these rods")
    assert set(beyond.rods) == {last_rod(book, side).identifier for side in ("left", "right")}
    body = {"identifier": beyond.rods[0], "state": "delivered"}
    book.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    given = reasons(book)["beyond_the_maximum"]
    assert given.tell == "NOT TO BE WORN: take these rods out of use and send them back."
    papers = found["papers_of_another_range"]
    assert papers.what == (
        "papers of A-r1 that were printed on 2031-03-14, true as of entry 3, report a range of "
        "9.20 mm; 8.40 mm holds now, since entry 5 (2031-03-14)"
    )
    assert papers.tell == (
        "Those papers do not hold, nor does a case sheet printed before entry 5: destroy "
        "them and use new ones (`labkit papers`, `labkit sheet A`).")
    assert len(papers.rods) == 8


def withdraw(book):
    """Take the last accepted trial fit back: what was prescribed holds again."""
    (accepted,) = book.ledger.current("A", Kind.TRIAL_ACCEPTED)
    withdraw_trial(book.ledger, "A", accepted.seq, "the rods were exchanged", ("anna", START))


def papers(book):
    return [one for one in recall(book.ledger) if one.reason == "papers_of_another_range"]


def test_papers_printed_under_a_trial_fit_that_was_withdrawn_are_wrong(book):
    """The range that the set was prescribed for holds again; what the new papers tell does not.

    On 8.40 mm they strike the 100 % rods of 9.20 mm.
    """
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    dry.finished(book, replaced(book))
    withdraw(book)
    (wrong,) = papers(book)
    assert wrong.what == (
        "papers of A-r2 that were printed on 2031-03-14, true as of entry 10, report a range of "
        "8.40 mm; 9.20 mm holds now, since entry 13 (2031-03-14); they mark as not to be worn "
        "what is not beyond the maximum now: set 1, step 4 (100.0 %, 27.8/27.8)"
    )
    out = {rod.identifier for rod in book.ledger.rods("A") if rod.state == "made"}
    assert set(wrong.rods) == out
    dry.finished(book, in_between(book))
    (still,) = papers(book)
    assert set(still.rods) == out  # not the rods made since


def test_papers_that_were_printed_again_are_not_named(book):
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    assert len(papers(book)) == 1
    spec = book.ledger.sets("A")[0].spec.content
    note_printed(book, with_standing(spec, book.ledger))
    assert papers(book) == []
    withdraw(book)
    (wrong,) = papers(book)
    assert "printed on 2031-03-14, true as of entry 7, report a range of 8.40 mm" in wrong.what


def test_papers_of_an_earlier_version_told_what_the_first_set_was_made_for(book, monkeypatch):
    """Replacements: before 1.1.0 their sheet told the first set's prescription."""
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    monkeypatch.setattr(recorder_module, "version_and_commit", lambda: "1.0.0")
    dry.finished(book, replaced(book))
    assert [one.what.partition(";")[0] for one in papers(book)] == [
        f"papers of A-r{number} that were printed on 2031-03-14, true as of entry {entry}, report "
        "a range of 9.20 mm" for number, entry in ((1, 3), (2, 10))
    ]


def test_other_anchors_with_the_same_range_make_papers_wrong(book):
    dry.first_set(book, parallel("A"))
    text = parallel("A").replace("pin_distance = 30", "pin_distance = 30.4")
    body = {"revision": 2, "text": text, "reason": "splint remade"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    (wrong,) = papers(book)
    assert wrong.what.endswith(
        "report the readings, jaw and anchors of prescription revision 1; those of revision 2 hold "
        "now, since entry 5 (2031-03-14)")


def test_rods_that_let_the_jaw_move_too_far_are_recalled(book):
    """The newest revision allows less movement sideways than these rods make."""
    text = unequal("A", "hinged")
    dry.first_set(book, text)
    assert "jaw_not_held" not in reasons(book)
    narrow = f"{text}most_sideways = 0.1\n"
    body = {"revision": 2, "text": narrow, "reason": "a wearer who moves sideways"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    found = [one for one in recall(book.ledger) if one.reason == "jaw_not_held"]
    assert found
    assert all("mm sideways; at most ±0.1 mm is allowed" in one.what for one in found)
    assert all(len(one.rods) == 2 for one in found)
    spec = with_standing(book.ledger.sets("A")[0].spec.content, book.ledger)
    told = [line for line in facts(spec)["now"] if "sideways" in line]
    assert len(told) == len(found)
    assert told[0].startswith("Rods at set 1, step 1 (")
    assert told[0].endswith("±0.1 mm is allowed: ask the laboratory before they are worn.")


def test_rods_made_far_from_what_was_asked_are_recalled(book):
    """A rod 0.3 mm too long makes 0.15 mm less with its partner, and 30.6 for 30.56 mm 0.04 less.

    The grid is 0.1 mm.
    """
    text = parallel("A")
    body = set_body(text, "A-r1")
    body["rods"][0] |= {"label": "30.9", "length_um": 30_900}
    ledger = book.ledger
    ledger.record(Kind.CASE_OPENED, "A", {}, "anna", START)
    ledger.record(Kind.PRESCRIPTION, "A", {"revision": 1, "text": text}, "anna", START)
    make_set(lambda kind, case, body: ledger.record(kind, case, body, "anna", START), "A", body)
    one = reasons(book)["jaw_not_held"]
    assert one.what == (
        "the rods of set 1, step 1 (67.9 %, 30.9/30.6) would hold the jaw -0.19 mm from the "
        "6.44 mm that were asked for, more than one step of the length grid explains (0.10 mm)")
    shorten(book, text)
    assert "set 1, step 1 (74.4 %, 30.9/30.6) would hold" in reasons(book)["jaw_not_held"].what


def test_the_list_of_cases_counts_the_rods_that_are_asked_back(book):
    """Those out of the house that are not to be worn; a case that cannot be read says so."""
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    assert "asked back" not in cases_report(all_cases(book.ledger)).words
    deliver(book, "A", book.ledger.rods("A")[1:])
    report = cases_report(all_cases(book.ledger))
    assert report.table("Cases").cells("asked_back") == (2,)
    assert set(asked_back_of(book.ledger, "A")) == set(
        standing_of_case(book.ledger, "A").asked_back
    )
    assert "`labkit recall` says which, and what else needs doing" in report.words
    body = {"revision": 3, "text": f"{parallel('A')}\n[later]\nkey = 1\n", "reason": "later"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    (line,) = cases_report(all_cases(book.ledger)).data["cases"]
    assert line["asked_back"] is None


def test_only_cases_that_went_on_are_worked_out_again(book, monkeypatch):
    for case in "AB":
        dry.first_set(book, parallel(case))
        deliver(book, case, book.ledger.rods(case)[-2:])
    all_cases(book.ledger)
    asked = []
    monkeypatch.setattr(
        lookup, "asked_back_of",
        lambda reader, case: asked.append(case) or asked_back_of(reader, case),
    )
    assert [line.asked_back for line in all_cases(book.ledger)] == [0, 0]
    assert not asked
    shorten(book, parallel("A"))
    assert [line.asked_back for line in all_cases(book.ledger)] == [2, 0]
    assert [line.asked_back for line in all_cases(book.ledger)] == [2, 0]
    assert asked == ["A"]


def deliver(book, case, rods):
    for rod in rods:
        body = {"identifier": rod.identifier, "state": "delivered"}
        book.ledger.record(Kind.ROD_STATE, case, body, "anna", START)


def test_rods_that_are_back_are_not_recalled(book):
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    for rod in book.ledger.rods("A"):
        body = {"identifier": rod.identifier, "state": "withdrawn", "reason": "trial fit"}
        book.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    assert list(recall(book.ledger)) == []
    report = recall_report(book.ledger)
    assert "No case has papers or rods that are wrong under the rules of today." in report.words


def test_rods_made_after_the_change_are_right(book):
    """Only the first set is named for its papers; the rods in between were graded on 8.4 mm."""
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    dry.finished(book, in_between(book))
    (one,) = papers(book)
    assert "papers of A-r1" in one.what
    assert len(one.rods) == 8


def test_a_case_that_cannot_be_read_is_named_and_the_others_are_looked_at(book):
    dry.first_set(book, parallel("A"))
    body = {"revision": 2, "text": f"{parallel('A')}\n[later]\nkey = 1\n", "reason": "later"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    dry.first_set(book, parallel("B"))
    assert [(one.case, one.reason) for one in recall(book.ledger)] == [
        ("A", "not_known"), ("B", "made_uncompensated")]


def test_the_command_lists_them_for_people_and_programs(book, tmp_path):
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    ledger = ("--ledger", str(tmp_path / "ledger.sqlite"))
    told = CliRunner().invoke(cli, ["recall", "--json", *ledger])
    assert told.exit_code == 0, told.output
    found = json.loads(told.stdout)["recalled"]
    assert {one["reason"] for one in found} == {
        "beyond_the_maximum", "papers_of_another_range", "made_uncompensated"}
    said = CliRunner().invoke(cli, ["recall", *ledger])
    assert "1 case. The prescriber decides what is done." in said.stdout


# The sheet of today, as a command.
def test_the_sheet_of_today_tells_pairs_rods_and_places(book, tmp_path):
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    lost = last_rod(book)
    body = {"identifier": lost.identifier, "state": "lost", "reason": "on a journey"}
    book.ledger.record(Kind.ROD_STATE, "A", body, "anna", START)
    ledger = ("--ledger", str(tmp_path / "ledger.sqlite"))
    told = CliRunner().invoke(cli, ["sheet", "A", "--json", *ledger])
    assert told.exit_code == 0, told.output
    sheet = json.loads(told.stdout)
    assert sheet["range_mm"] == pytest.approx(8.4)
    assert [pair["percent"] for pair in sheet["pairs"]] == [
        pytest.approx(100 * mm / 8.4, abs=1e-9) for mm in (6.4, 7.4, 8.3, 9.2)]
    assert [pair["not_to_be_worn"] for pair in sheet["pairs"]] == [False] * 3 + [True]
    (gone,) = sheet["pairs"][3]["gone"]
    assert (gone["identifier"], gone["state"]) == (lost.identifier, "lost")
    out = tmp_path / "today.pdf"
    said = CliRunner().invoke(cli, ["sheet", "A", "--out", str(out), *ledger])
    assert said.exit_code == 0, said.output
    assert "True as of entry " in said.stdout
    assert "NOT TO BE WORN: set 1, step 4 (109.5 %, none/27.8)" in " ".join(said.stdout.split())
    assert out.read_bytes().startswith(b"%PDF")
    again = CliRunner().invoke(cli, ["sheet", "A", "--out", str(out), *ledger])
    assert again.exit_code != 0
    text = CliRunner().invoke(cli, ["sheet", "A", "--out", str(tmp_path / "today.txt"), *ledger])
    assert (text.exit_code, text.stdout) == (2, "")
    assert "does not end with .pdf; name a file such as today.pdf" in text.stderr


def test_a_printed_case_sheet_is_recalled_beside_the_papers(book, tmp_path, monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: START)
    dry.first_set(book, parallel("A"))
    asked = ["sheet", "A", "--out", str(tmp_path / "today.pdf"), "--by", "anna", "--ledger",
             str(tmp_path / "ledger.sqlite")]
    said = CliRunner().invoke(cli, asked)
    assert said.exit_code == 0, said.output
    assert "Recorded in " in said.stdout
    last = book.ledger.last("A")
    assert last.body == {"set": "A-r1", "entry": 4, "paper": "sheet"}
    assert told(last) == "case sheet printed, true as of entry 4"
    assert "papers_of_another_range" not in reasons(book)
    shorten(book, parallel("A"))
    wrong = [one.what for one in recall(book.ledger) if one.reason == "papers_of_another_range"]
    assert [words.partition(" that were printed")[0] for words in wrong] == [
        "papers of A-r1", "case sheets",
    ]
    assert "true as of entry 4, report a range of 9.20 mm; 8.40 mm holds now" in wrong[1]
