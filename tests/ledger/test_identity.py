"""Which ledger it is, and when an entry can have been made."""

from __future__ import annotations

import datetime

import pytest

from labkit.core.case.identifier import (
    BEFORE_LEDGERS,
    NO_LEDGER,
    check_digit,
    grouped,
    ledger_number,
    parse_identifier,
    rod_identifier,
)
from labkit.errors import InputError, LabkitError, LedgerError
from labkit.ledger.events import GENESIS, Kind
from labkit.ledger.identity import identity_of
from labkit.ledger.moments import moment_after
from labkit.ledger.store import open_ledger
from labkit.ledger.transfer import backup, export_lines, import_from, restore
from labkit.workflow.record.lookup import find_rod
from tests.support.ledgers import START, Pen, fill

CASE = "QF-1043"
LEAP = datetime.timedelta(days=401)


def test_a_ledger_is_the_same_wherever_it_is_copied_to(url, tmp_path):
    with open_ledger(url) as ledger:
        assert identity_of(ledger) == GENESIS
        fill(ledger)
        own = identity_of(ledger)
        assert own == ledger.event(1).digest
        backup(ledger, tmp_path / "copy.sqlite")
        lines = list(export_lines(ledger))
    restore(tmp_path / "copy.sqlite", str(tmp_path / "restored.sqlite"))
    for name in ("copy", "restored", "imported"):
        with open_ledger(str(tmp_path / f"{name}.sqlite")) as other:
            if name == "imported":
                import_from(other, lines, "export.jsonl")
            assert identity_of(other) == own
    with open_ledger(str(tmp_path / "another.sqlite")) as other:
        Pen(other).open_case("QF-2")
        assert identity_of(other) != own


def test_the_number_of_a_ledger_is_never_that_of_none():
    numbers = {ledger_number(f"{number:064x}") for number in range(1, 20_000)}
    assert numbers == {f"{number:04d}" for number in range(1, 10_000)}
    assert ledger_number(NO_LEDGER) == "0000"


def test_two_ledgers_give_the_rods_of_one_prescription_other_identifiers():
    at = ("ab" * 32, 1, 2, "left", 0)
    first, second, none, before = (
        rod_identifier(*at, ledger) for ledger in ("1e" * 32, "2e" * 32, NO_LEDGER, BEFORE_LEDGERS)
    )
    assert [len(each) for each in (first, second, none, before)] == [14, 14, 14, 10]
    assert len({each[4:13] for each in (first, second, none)} | {before[:9]}) == 4
    assert first.startswith(ledger_number("1e" * 32))
    assert none.startswith("0000")
    # As version 1.2.0 gave it: rods that are worn keep their identifiers.
    assert before == "4236334171"


@pytest.mark.parametrize("digits", ["48294829173065", "4829173065"])
def test_a_slip_in_an_identifier_of_either_length_is_noticed(digits):
    assert parse_identifier(grouped(digits)) == digits
    for at, old in enumerate(digits):
        for new in set("0123456789") - {old}:
            with pytest.raises(InputError, match="has a wrong digit or two digits swapped"):
                parse_identifier(digits[:at] + new + digits[at + 1 :])


def test_a_rod_of_another_ledger_is_told(url):
    with open_ledger(url) as ledger:
        fill(ledger)
        own = ledger_number(identity_of(ledger))
        for number, words in (
            ("0000", "it is of a set that was not recorded"),
            ("9876", f"it is of ledger 9876, and this is ledger {own}"),
        ):
            body = f"{number}123456789"
            with pytest.raises(InputError, match=f"by its first four digits {words}"):
                find_rod(ledger, body + check_digit(body))


def minutes(number):
    return START + datetime.timedelta(minutes=number)


def test_time_in_the_record_does_not_run_backwards(url):
    with open_ledger(url) as ledger:
        ledger.record(Kind.CASE_OPENED, "QF-1", {}, "anna", minutes(0))
        # Another machine's clock is a little slow.
        slow = ledger.record(Kind.CASE_OPENED, "QF-2", {}, "berta", minutes(-4))
        assert slow.at == ledger.event(1).at
        words = r"says 2031-03-14T09:20Z, and the last entry of the record was made at 2031-03-14T0"
        with pytest.raises(LedgerError, match=words):
            ledger.record(Kind.CASE_OPENED, "QF-3", {}, "berta", minutes(-6))
        assert ledger.head().count == 2


def test_a_clock_that_is_far_off_is_refused(monkeypatch, url):
    with open_ledger(url) as ledger:
        with pytest.raises(LedgerError, match="says 2000-01-01T00:00Z, and the program is younger"):
            ledger.record(
                Kind.CASE_OPENED, "QF-1", {}, "anna",
                datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC),
            )
        ledger.record(Kind.CASE_OPENED, "QF-1", {}, "anna", START)
        words = "more than 400 days before; if that is right, state .* LABKIT_TODAY=2032"
        with pytest.raises(LedgerError, match=words):
            ledger.record(Kind.CASE_OPENED, "QF-2", {}, "anna", START + LEAP)
        assert ledger.head().count == 1


def test_a_long_rest_is_stated_by_a_person():
    last, at = "2031-03-14T09:26:53.589793Z", START + LEAP
    for day in (-1, 0, 1):
        stated = (at + datetime.timedelta(days=day)).date().isoformat()
        assert moment_after(last, at, {"LABKIT_TODAY": stated}) == at
    with pytest.raises(LedgerError, match="set the clock and run again"):
        moment_after(last, at, {"LABKIT_TODAY": "2032-04-10"})


def export_with(tmp_path, change):
    """Export a ledger in which one body was changed by somebody who can compute digests."""
    with open_ledger(str(tmp_path / "theirs.sqlite")) as theirs:
        pen = Pen(theirs)
        real = theirs.record
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("labkit.ledger.store.check_body", lambda *_: None)
            patch.setattr("labkit.ledger.store.check_rules", lambda *_: None)
            patch.setattr(
                theirs, "record",
                lambda kind, case, body, *rest: real(kind, case, change(kind, body), *rest),
            )
            pen.open_case(CASE)
            pen.make(CASE, f"{CASE}-r1", 1)
        return list(export_lines(theirs))


def renamed(kind, body):
    return {**body, "set": "../evil/X"} if "set" in body else body


def undone(kind, body):
    return {**body, "revision": 7} if kind is Kind.SET_STARTED else body


@pytest.mark.parametrize(
    ("change", "words"),
    [(renamed, r"set = '../evil/X'; it must be a set's name: 1 to 80 letters, digits and"),
     (undone, "event 3 of the export is none that .*the ledger has no revision 7 of case")],
)
def test_an_import_takes_what_could_be_recorded_here_alone(tmp_path, url, change, words):
    lines = export_with(tmp_path, change)
    with open_ledger(url) as ledger:
        with pytest.raises(LabkitError, match=words):
            import_from(ledger, lines, "export.jsonl")
        assert ledger.head().count == 0
