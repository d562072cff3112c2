"""Every kind of change behind the program's back is found."""

from __future__ import annotations

import json
import sqlite3

import pytest

from labkit.errors import LedgerError
from labkit.ledger.chain import event_of_json
from labkit.ledger.events import Event, line_of, with_digest
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify

#: Name → statements and what verify says.
CHANGES = {
    "edited body": (
        ["UPDATE events SET body = replace(body, '31907', '31908') WHERE seq = 5"],
        "event 5 was changed or is damaged: it does not match its digest",
    ),
    "body written otherwise": (
        ["UPDATE events SET body = body || ' ' WHERE seq = 5"],
        "event 5 was changed",
    ),
    "changed operator": (
        ["UPDATE events SET operator = 'berta' WHERE seq = 7"],
        "event 7 was changed",
    ),
    "changed time": (
        ["UPDATE events SET at = '2031-03-14T09:26:53.589794Z' WHERE seq = 7"],
        "event 7 was changed",
    ),
    "changed case": (
        ["UPDATE events SET case_number = 'QF-1' WHERE seq = 7"],
        "event 7 was changed",
    ),
    "changed kind": (["UPDATE events SET kind = 'release' WHERE seq = 8"], "event 8 was changed"),
    "unknown kind": (["UPDATE events SET kind = 'gift' WHERE seq = 8"], "event 8 was changed"),
    "changed correction": (
        ["UPDATE events SET corrects = 4 WHERE seq = 6"],
        "event 6 was changed",
    ),
    "edited length of a rod": (
        ["UPDATE rods SET length_um = 31701 WHERE seq = 3 AND step = 1 AND side = 'left'"],
        "rods: a row of event 3 is missing or was changed: case_number",
    ),
    "rod moved to another event": (
        ["UPDATE rods SET seq = 99 WHERE seq = 3 AND step = 1 AND side = 'left'"],
        "rods: no event gives the row case_number",
    ),
    "edited release": (
        ["UPDATE releases SET decision = 'withheld'"],
        "releases: no event gives the row decision 'withheld'",
    ),
    "deleted row": (["DELETE FROM readings WHERE seq = 5"], "readings: a row of event 5"),
    "added row": (
        ["INSERT INTO releases VALUES (8, 'QF-1043-r1', 'withheld')"],
        "releases: no event gives the row decision 'withheld'",
    ),
    "added row of no event": (
        ["INSERT INTO releases VALUES (0, 'QF-1043-r1', 'withheld')"],
        "releases: no event gives the row",
    ),
    "deleted event": (
        ["DELETE FROM events WHERE seq = 8", "DELETE FROM rod_states WHERE seq = 8"],
        "event 8 is missing: event 9 is in its place",
    ),
    "deleted tail": (
        [
            "DELETE FROM rods WHERE seq = 17",
            "DELETE FROM sets WHERE seq = 17",
            "DELETE FROM events WHERE seq = 17",
        ],
        "the last events were removed, or the head was changed",
    ),
    "swapped events": (
        [
            "UPDATE events SET seq = 100 WHERE seq = 8",
            "UPDATE events SET seq = 8 WHERE seq = 9",
            "UPDATE events SET seq = 9 WHERE seq = 100",
            "UPDATE rod_states SET seq = 100 WHERE seq = 8",
            "UPDATE rod_states SET seq = 8 WHERE seq = 9",
            "UPDATE rod_states SET seq = 9 WHERE seq = 100",
        ],
        "event 8 does not follow the event before it",
    ),
    "moved head": (["UPDATE head SET event_count = 16"], "the head row says 16 events"),
    "lost head": (["DELETE FROM head"], "the head row says nothing"),
    "second head": (["INSERT INTO head SELECT 2, 17, digest FROM head"], "the head row says 17"),
    "everything deleted": (["DELETE FROM events"], "the last events were removed"),
    "an earlier program let in": (
        ["UPDATE labkit_ledger_revision SET least_program = '1.1.9'"],
        "it names 1.1.9 as the earliest version of labkit that may act on it; a ledger",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_is_found(filled, tamper, name):
    statements, sentence = CHANGES[name]
    tamper(filled, *statements)
    with open_ledger(filled, create=False) as ledger:
        found = verify(ledger)
    assert not found.ok
    assert any(sentence in problem for problem in found.problems), found.problems


def test_a_changed_event_is_not_read_as_if_nothing_were(filled, tamper):
    tamper(filled, "UPDATE events SET operator = 'berta' WHERE seq = 7")
    words = "event 7 was changed or is damaged"
    with open_ledger(filled, create=False) as ledger, pytest.raises(LedgerError, match=words):
        ledger.story("QF-1043")


def test_a_chain_made_anew_is_found_by_an_earlier_digest(filled, tamper):
    """Whoever can compute digests can write a new history; a digest noted elsewhere tells."""
    with open_ledger(filled) as ledger:
        noted = ledger.head().digest
        events = list(ledger.events())
    statements, previous = [], events[6].previous
    for event in events[6:]:
        changed = {**vars(event), "previous": previous}
        if event.seq == 7:
            changed["by"] = "berta"
        forged = with_digest(Event(**changed))
        assert event_of_json(json.loads(line_of(forged))) == forged
        previous = forged.digest
        statements.append(
            f"UPDATE events SET operator = '{forged.by}', previous = '{forged.previous}', "
            f"digest = '{forged.digest}' WHERE seq = {forged.seq}"
        )
    tamper(filled, *statements, f"UPDATE head SET digest = '{previous}'")
    with open_ledger(filled, create=False) as ledger:
        assert verify(ledger).ok
        (problem,) = verify(ledger, noted).problems
        assert f"no event has the digest {noted}" in problem


@pytest.mark.parametrize(
    "statement",
    ["DROP INDEX ix_rods_case_number", "CREATE TABLE other (a INTEGER)"],
)
def test_changed_definitions_are_found(sqlite_file, statement):
    raw = sqlite3.connect(sqlite_file)
    raw.execute(statement)
    raw.close()
    with open_ledger(str(sqlite_file)) as ledger:
        (problem,) = verify(ledger).problems
    assert "definitions of tables or indexes" in problem
