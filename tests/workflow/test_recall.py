"""Recall: what is wrong under today's rules with what was delivered, and what to tell."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.ledger.events import Kind
from labkit.workflow.record.recall import recall, recall_report
from tests.support import dry
from tests.support.making import START, recorder_for
from tests.support.recorded import parallel
from tests.workflow.test_standing import in_between, last_rod, shorten


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


def test_a_shorter_range_recalls_papers_and_the_rods_beyond_it(book):
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    found = reasons(book)
    beyond = found["beyond_the_maximum"]
    assert beyond.what == (
        "set 1, step 4 (108.7 %, 27.0/27.0) is 0.80 mm beyond the maximum that holds now"
    )
    assert beyond.tell.startswith("NOT TO BE WORN: take these rods out of use")
    assert set(beyond.rods) == {last_rod(book, side).identifier for side in ("left", "right")}
    papers = found["papers_of_another_range"]
    assert "papers of A-r1 were printed before the change of entry" in papers.what
    assert "they tell a range of 10.00 mm, and 9.20 mm holds now" in papers.what
    assert "labkit sheet A" in papers.tell


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
    """Only the first set is named for its papers; the rods in between were graded on 9.2 mm."""
    dry.first_set(book, parallel("A"))
    shorten(book, parallel("A"))
    dry.finished(book, in_between(book))
    said = [one.what for one in recall(book.ledger) if one.reason == "papers_of_another_range"]
    assert len(said) == 1
    assert "papers of A-r1" in said[0]


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


# The sheet of today and the question about two rods, as commands.
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
    assert sheet["range_mm"] == pytest.approx(9.2)
    assert [pair["percent"] for pair in sheet["pairs"]] == [
        pytest.approx(100 * mm / 9.2, abs=1e-9) for mm in (7, 8, 9, 10)]
    assert [pair["not_to_be_worn"] for pair in sheet["pairs"]] == [False] * 3 + [True]
    (gone,) = sheet["pairs"][3]["gone"]
    assert (gone["identifier"], gone["state"]) == (lost.identifier, "lost")
    out = tmp_path / "today.pdf"
    said = CliRunner().invoke(cli, ["sheet", "A", "--out", str(out), *ledger])
    assert said.exit_code == 0, said.output
    assert "True as of entry " in said.stdout
    assert "NOT TO BE WORN: set 1, step 4 (108.7 %, none/27.0)" in " ".join(said.stdout.split())
    assert out.read_bytes().startswith(b"%PDF")
    again = CliRunner().invoke(cli, ["sheet", "A", "--out", str(out), *ledger])
    assert again.exit_code != 0


def test_two_rods_of_different_steps_are_asked_about(book, tmp_path):
    dry.first_set(book, parallel("A"))
    ledger = ("--ledger", str(tmp_path / "ledger.sqlite"))
    asked = CliRunner().invoke(cli, ["rod", "29.0L", "28.0R", "--case", "A", "--json", *ledger])
    assert asked.exit_code == 0, asked.output
    told = json.loads(asked.stdout)
    assert told["may_be_worn"] is False
    assert told["percent"] == pytest.approx(85)
    assert told["off_mm"] == pytest.approx(-1)
    said = CliRunner().invoke(cli, ["rod", "28.5", "28.5", "--case", "A", *ledger])
    assert "no left rod 28.5 of the case is in circulation" in " ".join(said.stdout.split())
