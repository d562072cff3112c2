"""An act on a ledger that was changed behind the program's back is refused, and changes nothing."""

from __future__ import annotations

import datetime

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.pool import NullPool

from labkit.errors import LedgerError
from labkit.ledger.events import Kind
from labkit.ledger.place import ledger_url
from labkit.ledger.store import open_ledger
from tests.ledger.test_verify import CHANGES
from tests.support.ledgers import Pen, fill, rods

CASE, OTHER = "QF-1043", "QF-2000"
WHEN = datetime.datetime(2032, 1, 1, tzinfo=datetime.UTC)
RELEASE = {"set": f"{CASE}-r1", "decision": "released", "basis": {"rule": "A"}}
#: Of the ledger `both` fills: further edits, each by somebody who knows the tables.
EDITS = {
    "a failing reading and a withhold are deleted": [
        "DELETE FROM readings WHERE seq = 6", "DELETE FROM events WHERE seq = 6",
        "DELETE FROM releases WHERE seq = 7", "DELETE FROM events WHERE seq = 7",
    ],
    "the events behind a deleted one move up": [
        "DELETE FROM rod_states WHERE seq = 9", "DELETE FROM events WHERE seq = 10",
        "DELETE FROM events WHERE seq = 9",
        "UPDATE head SET event_count = event_count - 2",
    ],
    "a reading is given another value": [
        "UPDATE events SET body = replace(body, '31709', '31700') WHERE seq = 6",
    ],
    "a reading is moved to another rod": [
        "UPDATE readings SET identifier = (SELECT identifier FROM rods WHERE step = 2 "
        "AND side = 'left' AND seq = 3) WHERE seq = 6",
    ],
    "a reading is added as a row": [
        "INSERT INTO readings SELECT 7, identifier FROM readings WHERE seq = 6",
    ],
    "the state of a rod is changed": ["UPDATE rod_states SET state = 'lost' WHERE seq = 8"],
    "the state of a rod is deleted": ["DELETE FROM rod_states WHERE seq = 8"],
    "a state of a rod is added": [
        "INSERT INTO rod_states SELECT 7, identifier, 'returned' FROM rod_states WHERE seq = 8",
    ],
    "a rod gets another label": [
        "UPDATE rods SET label = '39.9' WHERE seq = 3 AND step = 1 AND side = 'left'",
    ],
    "a rod gets another percent": [
        "UPDATE rods SET percent = '10' WHERE seq = 3 AND step = 1 AND side = 'left'",
    ],
    "a rod gets another identifier": [
        "UPDATE rods SET identifier = '0000000000' WHERE seq = 3 AND step = 3 AND side = 'left'",
    ],
    "a rod is deleted": ["DELETE FROM rods WHERE seq = 3 AND step = 3 AND side = 'left'"],
    "a rod moves to another set": [
        "UPDATE rods SET set_name = 'QF-1043-r3', step = 9 WHERE seq = 3 AND step = 1 "
        "AND side = 'left'",
    ],
    "a rod moves to another case": [
        "UPDATE rods SET case_number = 'QF-2000' WHERE seq = 3 AND step = 1 AND side = 'left'",
    ],
    "a rod is said to replace another": [
        "UPDATE rods SET replaces = (SELECT identifier FROM rods WHERE seq = 3 AND step = 2 AND "
        "side = 'left') WHERE seq = 3 AND step = 1 AND side = 'left'",
    ],
    "a set is said to be made": ["INSERT INTO set_ends VALUES (12, 'QF-1043-r3', 'made')"],
    "an abandoned set is said to be made": [
        "UPDATE set_ends SET outcome = 'made' WHERE set_name = 'QF-1043-r2'",
    ],
    "a set has no end any more": ["DELETE FROM set_ends WHERE set_name = 'QF-1043-r1'"],
    "a set gets another process": ["UPDATE sets SET process_name = 'other' WHERE seq = 3"],
    "a set gets another process's digest": ["UPDATE sets SET process_sha256 = '00' WHERE seq = 3"],
    "a prescription is deleted": ["DELETE FROM prescriptions WHERE revision = 2"],
    "a prescription's revision is changed": [
        "UPDATE prescriptions SET revision = 7 WHERE revision = 2",
    ],
    "a prescription says another maximum": [
        "UPDATE events SET body = replace(body, 'QF-1043', 'QF-1044') WHERE seq = 2",
    ],
    "a case is opened by another event": ["UPDATE cases SET seq = 2 WHERE case_number = 'QF-1043'"],
    "a case is not there any more": ["DELETE FROM cases WHERE case_number = 'QF-1043'"],
    "an event of another case is edited": [
        "UPDATE events SET operator = 'berta' WHERE case_number = 'QF-2000' AND kind = 'order'",
    ],
    "an event of another case is made this case's": [
        "UPDATE events SET case_number = 'QF-1043' WHERE case_number = 'QF-2000' "
        "AND kind = 'order'",
    ],
    "a digest is changed": [
        "UPDATE events SET digest = replace(digest, substr(digest, 1, 2), 'zz') WHERE seq = 4",
    ],
    "a link is changed": [
        "UPDATE events SET previous = replace(previous, substr(previous, 1, 2), 'zz') "
        "WHERE seq = 4",
    ],
    "the head names another digest": ["UPDATE head SET digest = '00'"],
    "an earlier program may act": [
        "UPDATE labkit_ledger_revision SET least_program = '1.0.0'",
    ],
    "the least version of the program is no version": [
        "UPDATE labkit_ledger_revision SET least_program = ''",
    ],
    "a view stands on the readings": ["CREATE VIEW seen AS SELECT * FROM readings"],
}
#: What hangs on a table and changes what is written or read; reported by the database.
HUNG_ON = {
    "sqlite": [
        "CREATE TRIGGER kind AFTER INSERT ON releases BEGIN DELETE FROM readings; END",
        "CREATE INDEX quicker ON readings (seq)",
        "ALTER TABLE readings ADD COLUMN more TEXT",
    ],
    "postgresql": [
        "CREATE RULE kind AS ON INSERT TO readings DO INSTEAD NOTHING",
        "ALTER TABLE readings ENABLE ROW LEVEL SECURITY",
        "ALTER TABLE readings ADD COLUMN more TEXT",
    ],
}
#: Edits that a database of the kind does not know, or that change nothing in it.
NOT_ON = {"postgresql": {"a view stands on the readings"}, "sqlite": set()}


@pytest.fixture
def both(url):
    """A ledger with two cases, of which the second has no part in what is done."""
    with open_ledger(url) as ledger, ledger.transaction():
        fill(ledger, CASE)
        pen = Pen(ledger)
        pen.open_case(OTHER)
        line = {"side": "left", "length_um": 32_050, "label": "32.05", "asked": "68.75 %"}
        pen(Kind.ORDER, OTHER, {"lines": [line, {**line, "side": "right"}], "note": None})
    return url


def run_behind(url, *statements):
    engine = create_engine(ledger_url(url), poolclass=NullPool)
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET session_replication_role = replica"))
        for statement in statements:
            connection.execute(text(statement))
    return engine.dialect.name


def refused(url, kind, case, body):
    """Give the sentence of an act that is refused, after which the ledger is as it was."""
    with open_ledger(url, create=False) as ledger:
        before = whole(url)
        with pytest.raises(LedgerError) as caught:
            ledger.record(kind, case, body, "kim", WHEN)
        assert whole(url) == before
    return str(caught.value)


def whole(url):
    engine = create_engine(ledger_url(url), poolclass=NullPool)
    with engine.connect() as connection:
        return [
            [tuple(row) for row in connection.execute(text(f"SELECT * FROM {name} ORDER BY 1, 2"))]
            for name in ("events", "head", "rods", "readings", "releases", "rod_states")
        ]


#: Each on the file; on the server every third, the rest is slow.
EDITED = [
    *(("sqlite", name) for name in (*CHANGES, *EDITS)),
    *(pytest.param("postgresql", name, marks=[pytest.mark.slow] if number % 3 else [])
      for number, name in enumerate((*CHANGES, *EDITS))),
]


@pytest.mark.parametrize(("url", "name"), EDITED, indirect=["url"])
def test_nothing_is_released_from_a_ledger_that_was_edited(both, name):
    database = "sqlite" if both.endswith(".sqlite") else "postgresql"
    if name in NOT_ON[database]:
        pytest.skip(f"{name}: nothing that is read or written changes by it on {database}")
    run_behind(both, *(CHANGES[name][0] if name in CHANGES else EDITS[name]))
    said = refused(both, Kind.RELEASE, CASE, RELEASE)
    assert "is not as it was written: " in said
    assert "nothing was done, and nothing is recorded until it is put right" in said
    assert "`labkit ledger restore`" in said


def test_at_least_forty_kinds_of_edits_are_tried():
    for kind, own in HUNG_ON.items():
        assert len({*CHANGES, *EDITS} - NOT_ON[kind]) + len(own) >= 40


@pytest.mark.parametrize("number", range(3))
def test_nothing_is_released_where_something_hangs_on_a_table(both, number):
    database = "sqlite" if both.endswith(".sqlite") else "postgresql"
    run_behind(both, HUNG_ON[database][number])
    said = refused(both, Kind.RELEASE, CASE, RELEASE)
    assert "the definitions of tables or indexes are not those of this revision" in said


@pytest.mark.parametrize("name", ["a reading is added as a row", "a digest is changed"])
def test_any_act_on_a_case_that_was_edited_is_refused(both, name):
    """A reading too: what is recorded after a change would vouch for it."""
    run_behind(both, *EDITS[name])
    body = {
        "identifier": rods(f"{CASE}-r1", 3)[0]["identifier"], "quantity": "length",
        "gauge": "K-7", "uncertainty_nm": 5000, "value_um": 31_700,
    }
    assert "is not as it was written" in refused(both, Kind.READING, CASE, body)


def test_a_whole_ledger_is_acted_on(both):
    with open_ledger(both, create=False) as ledger:
        assert ledger.record(Kind.RELEASE, CASE, RELEASE, "kim", WHEN).kind is Kind.RELEASE


def test_a_ledger_that_was_edited_is_still_looked_at(both):
    run_behind(both, *EDITS["the head names another digest"])
    with open_ledger(both, create=False) as ledger:
        assert ledger.story(CASE)
