"""Recording and asking, on SQLite and on PostgreSQL."""

from __future__ import annotations

from decimal import Decimal

import pytest

from labkit.errors import InputError, LedgerError
from labkit.ledger.events import GENESIS, Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from tests.support.ledgers import (
    PROCESS,
    SPEC,
    TEMPLATE,
    TEXT,
    Pen,
    built,
    fill,
    made,
    rods,
    started,
    take_back,
)

CASE = "QF-1043"


def test_an_empty_ledger(url):
    with open_ledger(url) as ledger:
        assert ledger.head().count == 0
        assert ledger.head().digest == GENESIS
        assert ledger.cases() == ()
        assert verify(ledger).ok


def test_each_kind_is_recorded_and_verifies(url):
    with open_ledger(url) as ledger:
        pen = fill(ledger)
        take_back(pen)
        rod = rods(f"{CASE}-r1", 1)[0]["identifier"]
        entries = [one.stamp.seq for one in ledger.readings(rod)]
        pen.by = "kim"
        pen(Kind.USE_AS_IS, CASE, {
            "identifier": rod, "reason": "hurry", "prescriber": "Dr Lind",
            "basis": {"readings": entries, "faults": [], "measured_mm": 31.7},
        })
        pen.make(CASE, f"{CASE}-r4")
        body = built(1, *(one.identifier for one in ledger.rods(CASE) if one.state == "made"))
        pen(Kind.BUILD, CASE, body)
        pen(Kind.BUILD_FAILED, CASE, {
            "build": 1, "reason": "resin ran out", "rods": [body["pieces"][0]["identifier"]],
        })
        assert {event.kind for event in ledger.events()} == set(Kind)
        found = verify(ledger)
    assert found.problems == ()
    assert found.events == 26


def test_the_chain_holds_over_closing_and_opening(filled):
    with open_ledger(filled) as ledger:
        before = ledger.head()
        event = Pen(ledger, "berta").open_case("QF-2")
        assert event.seq == before.count + 2
        assert ledger.event(before.count + 1).previous == before.digest
    with open_ledger(filled, create=False) as ledger:
        assert ledger.head().count == before.count + 2
        assert verify(ledger, before.digest).ok


def test_a_digest_from_elsewhere_is_told(filled):
    with open_ledger(filled) as ledger:
        (problem,) = verify(ledger, "12" * 32).problems
    assert "no event has the digest 1212" in problem


def test_the_summary_of_cases(filled):
    with open_ledger(filled) as ledger:
        Pen(ledger, "berta").open_case("QF-2")
        first, second = ledger.cases()
    assert (first.case, first.revision, first.sets, first.rods) == (CASE, 2, 1, 6)
    assert (first.opened.by, first.last_kind) == ("anna", "set-started")
    assert (second.case, second.revision, second.sets, second.opened.by) == ("QF-2", 1, 0, "berta")


def test_a_set_keeps_what_it_was_made_from(filled):
    with open_ledger(filled) as ledger:
        one, two, three = ledger.sets(CASE)
        assert [s.state for s in (one, two, three)] == [
            SetState.MADE,
            SetState.ABANDONED,
            SetState.STARTED,
        ]
    assert one.prescription.text == TEXT
    assert two.prescription.text == TEXT + "# 2\n"
    assert two.prescription.reason == "trial fit"
    assert one.template.content == TEMPLATE
    assert one.process.content == PROCESS
    assert one.spec.content == SPEC
    assert two.spec is None
    assert (one.ended.seq, two.ended.seq, three.ended) == (4, 16, None)


def test_the_states_of_rods(filled):
    with open_ledger(filled) as ledger:
        found = ledger.rods(CASE)
    assert [rod.state for rod in found] == [
        # The first was "lost" by mistake, which was corrected: it is delivered.
        "delivered", *["released"] * 5, "abandoned", "abandoned", "reserved", "reserved",
    ]
    assert found[0].length_mm == Decimal("31.700")
    assert [(rod.step, rod.side) for rod in found[:3]] == [(1, "left"), (1, "right"), (2, "left")]


def test_a_rod_is_found_by_its_identifier(filled):
    identifier = rods(f"{CASE}-r1", 3)[0]["identifier"]
    spaced = f"{identifier[:3]} {identifier[3:6]}-{identifier[6:]}"
    with open_ledger(filled) as ledger:
        rod = ledger.find(spaced)
        assert (rod.case, rod.set_name, rod.made.by) == (CASE, f"{CASE}-r1", "anna")
        (reading,) = ledger.readings(identifier)
        assert reading.value_um == 31_709  # the slip 31 907 was corrected
        assert ledger.find("4829173065") is None
        assert ledger.is_used(identifier)
        assert not ledger.is_used("4829173065")
        with pytest.raises(InputError, match="wrong digit"):
            ledger.find("4829173066")


def test_what_was_corrected_does_not_count(filled):
    with open_ledger(filled) as ledger:
        assert [e.body["value_um"] for e in ledger.current(CASE, Kind.READING)] == [31_709]
        assert [e.seq for e in ledger.story(CASE)] == list(range(1, 18))
        assert set(ledger.corrected(CASE)) == {5, 9}


def told_of(reader, case):
    return (
        reader.prescriptions(case), reader.sets(case), reader.rods(case), reader.last(case),
        reader.current(case, Kind.PAPERS_PRINTED), reader.current(case, Kind.RELEASE),
    )


def test_many_cases_asked_at_once_are_told_as_each_by_itself(url):
    with open_ledger(url) as ledger:
        take_back(fill(ledger))
        pen = Pen(ledger, "berta")
        pen.open_case("QF-2")
        pen.make("QF-2", "QF-2-r1")
        at_once = {case: told_of(ledger, case) for case in ledger.cases_ahead([CASE, "QF-2"])}
        assert at_once == {case: told_of(ledger, case) for case in (CASE, "QF-2")}
        with ledger.transaction():  # what is written meanwhile counts
            for case in ledger.cases_ahead(["QF-2"]):
                last = pen(Kind.PAPERS_PRINTED, case, {"set": "QF-2-r1", "entry": 1})
                assert ledger.last(case) == last


def test_a_block_is_kept_whole_or_not_at_all(url):
    with open_ledger(url) as ledger:
        pen = Pen(ledger)
        with pytest.raises(ZeroDivisionError), ledger.transaction():
            pen.open_case(CASE)
            assert ledger.has_case(CASE)
            raise ZeroDivisionError
        assert not ledger.has_case(CASE)
        assert ledger.head().count == 0
        pen.open_case(CASE)
        assert verify(ledger).ok


def _reading(name):
    """A reading of the first rod of a set."""
    return {
        "identifier": rods(name, 1)[0]["identifier"], "quantity": "length", "value_um": 31_700,
        "gauge": "K-7",
    }


REFUSED = [
    (Kind.CASE_OPENED, CASE, {}, None, "was opened already"),
    (Kind.CASE_OPENED, CASE.lower(), {}, None, None),
    (Kind.PRESCRIPTION, "QF-9", {"revision": 1, "text": "x"}, None, "is not in the ledger"),
    (Kind.PRESCRIPTION, CASE, {"revision": 2, "text": "x"}, None, "is due for revision 3, not 2"),
    (Kind.SET_STARTED, CASE, started("S", 1, 5), None, "has no revision 5"),
    (Kind.SET_STARTED, CASE, started(f"{CASE}-r1"), None, "that name is taken"),
    (Kind.SET_STARTED, CASE, {**started("S"), "rods": rods(f"{CASE}-r2", 1)}, None, "bears it"),
    (Kind.SET_STARTED, CASE, {**started("S"), "rods": rods("S", 1) * 2}, None, "two rods of"),
    (Kind.SET_MADE, CASE, made(f"{CASE}-r1"), None, "made already"),
    (Kind.SET_MADE, CASE, made(f"{CASE}-r2"), None, "abandoned already"),
    (Kind.SET_MADE, CASE, made("S"), None, "has no set S"),
    (Kind.SET_ABANDONED, CASE, {"set": f"{CASE}-r1", "reason": "x"}, None, "made already"),
    (Kind.RELEASE, CASE, {"set": f"{CASE}-r3", "decision": "released"}, None, "only a made set"),
    (Kind.ROD_STATE, CASE, {"identifier": "4829173065", "state": "lost"}, None, "has no rod 482"),
    (Kind.READING, CASE, _reading(f"{CASE}-r2"), None, "abandoned, not made"),
    (Kind.READING, CASE, _reading(f"{CASE}-r3"), None, "reserved, not made"),
    (Kind.ROD_STATE, CASE, {"identifier": rods(f"{CASE}-r2", 1)[0]["identifier"],
                            "state": "lost"}, None, "abandoned, not made"),
    (Kind.CORRECTION, CASE, {"reason": "x"}, None, "no event is named"),
    (Kind.CORRECTION, CASE, {"reason": "x"}, 99, "has no event 99"),
    (Kind.CORRECTION, CASE, {"reason": "x"}, 4, "has set-made as event 4"),
    (Kind.CORRECTION, CASE, {"reason": "x"}, 9, "corrected by event 10 already"),
    (Kind.TRIAL_ACCEPTED, CASE, {"trial": 12, "revision": 3}, None, "accepted as 13"),
    (Kind.TRIAL_ACCEPTED, CASE, {"trial": 3, "revision": 3}, None, "no trial fit as event 3"),
]


def test_what_contradicts_the_record_is_refused(filled):
    with open_ledger(filled) as ledger:
        for number, (kind, case, body, corrects, sentence) in enumerate(REFUSED):
            if sentence is None:
                continue
            with pytest.raises(LedgerError) as caught:
                Pen(ledger)(kind, case, body, corrects)
            assert sentence in str(caught.value), f"{number}: {caught.value}"
        assert ledger.head().count == 17
        assert verify(ledger).ok


def test_the_database_itself_refuses_an_identifier_twice(filled, monkeypatch):
    monkeypatch.setattr("labkit.ledger.store.check_rules", lambda *_: None)
    with open_ledger(filled) as ledger:
        body = {**started("S"), "rods": rods(f"{CASE}-r2", 1)}
        with pytest.raises(LedgerError, match="repeats something that is recorded already"):
            Pen(ledger)(Kind.SET_STARTED, CASE, body)
        with pytest.raises(LedgerError, match="or refers to something that is not"):
            Pen(ledger)(Kind.RELEASE, CASE, {"set": "S", "decision": "released"})
        assert verify(ledger).ok


def test_only_the_next_event_is_appended(filled):
    with open_ledger(filled) as ledger:
        event = ledger.event(17)
        with pytest.raises(LedgerError, match="does not follow event 17"):
            ledger.append([event])


def test_a_ledger_that_is_not_there_is_not_begun_by_reading(tmp_path):
    path = tmp_path / "typo.sqlite"
    with pytest.raises(InputError, match=r"there is no ledger at .*typo\.sqlite"), open_ledger(
        str(path), create=False
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_the_default_lies_in_the_data_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "new"))
    monkeypatch.delenv("LABKIT_LEDGER", raising=False)
    with open_ledger() as ledger:
        assert ledger.place == str(tmp_path / "new" / "labkit" / "ledger.sqlite")


def test_sqlite_is_durable(sqlite_file):
    with open_ledger(str(sqlite_file)) as ledger, ledger.database.reading() as connection:
        def ask(name):
            return connection.exec_driver_sql(f"PRAGMA {name}").scalar()

        assert (ask("journal_mode"), ask("synchronous"), ask("foreign_keys")) == ("wal", 2, 1)
