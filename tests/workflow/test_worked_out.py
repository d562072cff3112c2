"""What is told of each case: as the slow way has it, and worked out only where a case went on."""

from __future__ import annotations

import random

import pytest

import labkit
from labkit.kept import VARIABLE
from labkit.ledger.bodies import PapersPrinted
from labkit.ledger.events import Kind
from labkit.ledger.store import look_into
from labkit.workflow.record import lookup, recall, today, worked_out
from labkit.workflow.record.lookup import all_cases
from labkit.workflow.record.recall import recall_of_case
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.record.today import _by_the_record, to_do
from tests.support import dry
from tests.support.making import START, recorder_for
from tests.support.recorded import parallel
from tests.support.workplaces import deliver, fill

QUESTIONS = (lookup._ASKED_BACK, recall._RECALLED, today._TO_DO)


def forget():
    """Begin as a new process does."""
    for question in QUESTIONS:
        question.answers = {}


@pytest.fixture
def kept(monkeypatch, tmp_path):
    """A folder in which everything is kept, and which cases are worked out."""
    worked = []

    def counted(ask):
        def counting(reader, case):
            worked.append(case)
            return ask(reader, case)

        return counting

    monkeypatch.setenv(VARIABLE, str(tmp_path / "cache"))
    monkeypatch.setattr(worked_out, "WORTH_A_FILE", 1)
    for question in QUESTIONS:
        monkeypatch.setattr(question, "ask", counted(question.ask))
    forget()
    yield worked
    forget()


@pytest.fixture
def book(tmp_path):
    with recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


def told(reader):
    """Give what recall, the list of cases and the first page tell, in a process of its own."""
    forget()
    lines = {line.summary.case: line.asked_back for line in all_cases(reader)}
    doing = [
        [each.case, each.doing.name, each.about, each.what]
        for each in to_do(reader, (), START.date()) if each.case
    ]
    return list(recall.recall(reader)), lines, doing


def slowly(reader):
    """Give the same by working out everything of every case."""
    cases = [summary.case for summary in reader.cases()]
    made = [case for case in cases if reader.sets(case)]
    back = {case: len(standing_of_case(reader, case).asked_back) for case in made}
    return (
        [one for case in made for one in recall_of_case(reader, case)],
        {case: back.get(case, 0) for case in cases},
        [[case, *each] for case in cases for each in _by_the_record(reader, case)["doing"]],
    )


def test_the_example_record_is_told_alike(kept, tmp_path):
    fill(tmp_path / "ledger.sqlite")
    with look_into(str(tmp_path / "ledger.sqlite")) as reader:
        assert told(reader) == slowly(reader)
        kept.clear()
        assert told(reader) == slowly(reader)
    assert not kept


def test_whatever_happens_is_told_as_the_slow_way_tells_it(kept, book):
    chance = random.Random(7)
    for case in "ABC":
        dry.first_set(book, parallel(case))
    told(book.ledger)
    for _ in range(14):
        case = chance.choice("ABC")
        something(book, case, chance)
        kept.clear()
        found = told(book.ledger)
        assert set(kept) <= {case}
        assert found == slowly(book.ledger)
    reasons = {one.reason for one in found[0]}
    assert {"beyond_the_maximum", "papers_of_another_range"} <= reasons
    assert any(found[1].values())


def something(book, case, chance):
    """Record one of the things that change what is told of a case."""
    rods = [rod for rod in book.ledger.rods(case) if rod.state in ("made", "delivered")]
    what = chance.choice(("shorter", "delivered", "delivered", "lost", "printed"))
    if what == "shorter":
        revision = book.ledger.prescription(case).revision + 1
        text = parallel(case).replace("protruded = 5.2", f"protruded = {5.2 - revision / 4}")
        body = {"revision": revision, "text": text, "reason": "measured again"}
        book.ledger.record(Kind.PRESCRIPTION, case, body, "kim", START)
    elif what == "printed":
        printed = PapersPrinted(f"{case}-r1", book.ledger.last(case).seq)
        book.ledger.write(case, printed, "kim", START)
    elif rods:
        rod = chance.choice(rods[-3:])  # of the steps that come first beyond a shorter range
        state = "lost" if rod.state == "delivered" else what
        body = {"identifier": rod.identifier, "state": state}
        book.ledger.record(Kind.ROD_STATE, case, body, "anna", START)


def test_a_program_that_was_changed_meanwhile_keeps_nothing(kept, book, monkeypatch):
    """A server goes on as it was loaded: its answers are not those of the files that lie there."""
    dry.first_set(book, parallel("A"))
    monkeypatch.setattr(labkit, "LOADED_AT", 0.0)
    worked_out._program.cache_clear()
    assert told(book.ledger) == told(book.ledger) == slowly(book.ledger)
    kept.clear()
    told(book.ledger)
    worked_out._program.cache_clear()
    assert set(kept) == {"A"}


def test_what_cannot_be_worked_out_is_tried_again(kept, book):
    dry.first_set(book, parallel("A"))
    deliver(pen(book), rods(book), "A")
    body = {"revision": 2, "text": f"{parallel('A')}\n[later]\nkey = 1\n", "reason": "later"}
    book.ledger.record(Kind.PRESCRIPTION, "A", body, "kim", START)
    for _ in range(2):
        kept.clear()
        (one,), lines, doing = told(book.ledger)
        assert (one.reason, lines) == ("not_known", {"A": None})
        assert doing == []  # the page of the case says why
        assert kept == ["A", "A", "A"]


def pen(book):
    return lambda kind, case, body: book.ledger.record(kind, case, body, "anna", START)


def rods(book, case="A"):
    return [rod.identifier for rod in book.ledger.rods(case)]


@pytest.mark.parametrize("spoilt", [
    lambda data: b"", lambda data: data.replace(b"made_uncompensated", b"made_uncompensatex"),
])
def test_a_file_that_is_not_as_it_was_written_is_not_used(kept, book, tmp_path, spoilt):
    dry.first_set(book, parallel("A"))
    right = told(book.ledger)
    for path in (tmp_path / "cache").iterdir():
        path.write_bytes(spoilt(path.read_bytes()))
    assert told(book.ledger) == right


def test_another_program_works_it_out_anew(kept, book, monkeypatch):
    dry.first_set(book, parallel("A"))
    told(book.ledger)
    kept.clear()
    monkeypatch.setattr(worked_out, "_program", lambda: "another program")
    told(book.ledger)
    assert kept == ["A", "A"]  # recalled, and to do


@pytest.mark.parametrize("place", ["", "file/below"])
def test_no_folder_is_needed(kept, book, monkeypatch, tmp_path, place):
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv(VARIABLE, str(tmp_path / place) if place else "")
    dry.first_set(book, parallel("A"))
    assert told(book.ledger) == slowly(book.ledger)
    assert kept == ["A", "A"]  # recalled, and to do


def test_few_cases_are_worth_no_file(kept, book, monkeypatch, tmp_path):
    monkeypatch.setattr(worked_out, "WORTH_A_FILE", 2)
    dry.first_set(book, parallel("A"))
    told(book.ledger)
    assert not (tmp_path / "cache").exists()
