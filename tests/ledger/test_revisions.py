"""A ledger of every revision is looked at as it is, and brought up to date by `upgrade` alone."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine
from sqlalchemy.dialects import postgresql
from sqlalchemy.engine import URL

from labkit import __version__
from labkit.errors import InputError, LedgerError
from labkit.ledger import revision
from labkit.ledger.bodies import DECISIONS, PURPOSES, require_known_keys
from labkit.ledger.bodies import ROD_STATES as STATES
from labkit.ledger.events import Kind
from labkit.ledger.revision import EARLIER, REVISION
from labkit.ledger.store import look_into, open_ledger
from labkit.ledger.stored import SetState, StoredReading
from labkit.ledger.tables import EVENTS, FORM, METADATA, RELEASES, ROD_STATES, SET_ENDS, SETS
from labkit.ledger.transfer import backup, export_lines
from labkit.ledger.upgrade import upgrade
from labkit.ledger.verify import verify
from tests.ledger.conftest import fresh_schema
from tests.support.ledgers import Pen, fill, replace_one, started

GOLDEN = Path(__file__).parent.parent / "golden"
#: Change alarm: where the chain of a kept ledger ends, and how many events and rods it has. Each
#: was written once, by the revision in its name.
KEPT = {
    1: ("c66b4f5fdfdfaf21ac3b0b051cd51f15ccbf3bdd9f75860b069caaf5aec115ea", 17, 10),
    2: ("303b9e8a8b286c608cdb067dbb964a8c715451ab2bf64097c7c564dd35e56d0e", 23, 11),
    3: ("303b9e8a8b286c608cdb067dbb964a8c715451ab2bf64097c7c564dd35e56d0e", 23, 11),
    4: ("303b9e8a8b286c608cdb067dbb964a8c715451ab2bf64097c7c564dd35e56d0e", 23, 11),
    5: ("ee56ad8a05254f357aaf90c6e4a3fea1bab25e2bd8ad080e0bca7d47e35eb106", 23, 11),
}
CASE = "QF-1043"


def kept_file(number, folder):
    folder.mkdir(exist_ok=True)
    path = folder / "ledger.sqlite"
    shutil.copyfile(GOLDEN / f"ledger-{number}.sqlite", path)
    return path


@pytest.fixture
def kept(request, tmp_path):
    """Put a kept ledger of a revision on either database."""

    def put(number, where):
        path = kept_file(number, tmp_path / "kept")
        if where == "sqlite":
            return str(path)
        url = fresh_schema(request.getfixturevalue("server"))
        with closing(sqlite3.connect(path)) as old, psycopg.connect(url) as new:
            tables = old.execute(
                "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid"
            ).fetchall()
            for name, sql in tables:
                # Revision 0002 gave the column room on a server, which holds it to its length.
                new.execute(sql.replace("purpose VARCHAR(10)", "purpose VARCHAR(20)"))
                if sql.startswith("CREATE TABLE"):
                    for row in old.execute(f"SELECT * FROM {name}"):
                        places = ", ".join(["%s"] * len(row))
                        new.execute(f"INSERT INTO {name} VALUES ({places})", row)
        return url

    return put


def seen(folder):
    """Give what lies in a folder, by name and digest."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()
    }


def test_there_is_a_kept_ledger_of_each_revision():
    assert [f"{number:04}" for number in KEPT] == [*EARLIER, REVISION]


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
@pytest.mark.parametrize("number", KEPT)
def test_a_kept_ledger_of_each_revision_is_looked_at_as_it_is(kept, tmp_path, number, where):
    head, events, rods = KEPT[number]
    url = kept(number, where)
    before = seen(tmp_path / "kept")
    with look_into(url) as reader, reader.snapshot():
        found = verify(reader, head)
        assert (found.problems, found.events, found.head) == ((), events, head)
        assert [c.case for c in reader.cases()] == [CASE]
        assert len(reader.rods(CASE)) == rods
        assert len(reader.story(CASE)) == events
        assert reader.find(reader.rods(CASE)[0].identifier).state == "delivered"
        assert len(list(export_lines(reader))) == events + 1
    assert seen(tmp_path / "kept") == before
    with look_into(url) as reader, reader.database.reading() as connection:
        assert revision.found_revision(connection) == f"{number:04}"


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
@pytest.mark.parametrize("number", [int(number) for number in EARLIER])
def test_nothing_is_written_to_an_earlier_ledger_before_its_upgrade(kept, tmp_path, number, where):
    url = kept(number, where)
    before = seen(tmp_path / "kept")
    words = rf"has the form of revision 000{number}.* with `labkit ledger upgrade`, which makes a"
    with pytest.raises(LedgerError, match=words), open_ledger(url):
        pass
    assert seen(tmp_path / "kept") == before


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
@pytest.mark.parametrize("number", [int(number) for number in EARLIER])
def test_an_upgrade_backs_up_verifies_and_keeps_every_event(kept, tmp_path, number, where):
    head, events, rods = KEPT[number]
    url = kept(number, where)
    with look_into(url) as reader:
        lines = list(export_lines(reader))
    there = None if where == "sqlite" else tmp_path / "saved.sqlite"
    done = upgrade(url, there)
    assert (done.revision, done.head.digest) == (f"{number:04}", head)
    assert done.backup == (there or tmp_path / "kept" / f"ledger-revision-000{number}.sqlite")
    with look_into(str(done.backup)) as reader:
        assert list(export_lines(reader)) == lines
        assert verify(reader, head).ok
    with open_ledger(url, create=False) as ledger:
        assert list(export_lines(ledger)) == lines
        assert len(ledger.rods(CASE)) == rods
        Pen(ledger).open_case("QF-2")
        assert verify(ledger, head).problems == ()
        assert ledger.head().count == events + 2
    assert upgrade(url).backup is None


def test_a_backup_is_never_written_over(tmp_path):
    path = kept_file(1, tmp_path)
    (tmp_path / "ledger-revision-0001.sqlite").write_text("mine")
    assert upgrade(str(path)).backup == tmp_path / "ledger-revision-0001-2.sqlite"
    assert (tmp_path / "ledger-revision-0001.sqlite").read_text() == "mine"
    path = kept_file(2, tmp_path / "other")
    with pytest.raises(InputError, match="is there already and nothing is written over"):
        upgrade(str(path), tmp_path / "ledger-revision-0001.sqlite")


def test_the_backup_of_an_upgrade_is_of_the_earlier_revision(tmp_path):
    path = kept_file(2, tmp_path)
    before = path.read_bytes()
    with closing(sqlite3.connect(upgrade(str(path)).backup)) as copy:
        assert copy.execute("SELECT version_num FROM labkit_ledger_revision").fetchall() == [
            ("0002",)
        ]
        assert copy.execute("SELECT count(*) FROM orders").fetchone() == (3,)
    assert path.read_bytes() != before


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("UPDATE events SET operator = 'berta' WHERE seq = 7", "event 7 was changed"),
        ("UPDATE rods SET length_um = 1 WHERE step = 2", "rods: a row of event 3 is missing or"),
        ("DELETE FROM readings WHERE seq = 5", "readings: a row of event 5 is missing or"),
        ("CREATE TRIGGER t AFTER INSERT ON orders BEGIN DELETE FROM cases; END", "definitions"),
    ],
)
def test_an_earlier_ledger_that_does_not_verify_stays_as_it_is(tmp_path, change, words):
    path = kept_file(2, tmp_path)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(change)
        raw.commit()
    before = seen(tmp_path)
    with pytest.raises(LedgerError, match=f"does not verify: .*{words}"):
        upgrade(str(path))
    assert seen(tmp_path) == before


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
def test_an_upgrade_that_fails_changes_nothing(kept, tmp_path, monkeypatch, where):
    url = kept(2, where)

    def fail(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(revision, "insert_rows", fail)
    with pytest.raises(ZeroDivisionError):
        upgrade(url, tmp_path / "saved.sqlite" if where == "postgresql" else None)
    monkeypatch.undo()
    with look_into(url) as reader:
        assert verify(reader, KEPT[2][0]).ok
        with reader.database.reading() as connection:
            assert revision.found_revision(connection) == "0002"
            assert connection.exec_driver_sql("SELECT count(*) FROM orders").scalar() == 3


def test_a_ledger_on_a_server_asks_where_its_backup_goes(kept):
    url = kept(1, "postgresql")
    with pytest.raises(InputError, match=r"is on a server; name a new file .* with --backup"):
        upgrade(url)


def test_rods_in_place_of_others_are_recorded_on_either_database(url, tmp_path):
    with open_ledger(url) as ledger:
        with ledger.transaction():
            new = replace_one(fill(ledger))
        assert verify(ledger).problems == ()
        found = ledger.find(new)
        assert (found.state, found.first_set) == ("released", "QF-1043-r1")
        assert ledger.find(found.replaces).state == "rejected"
        lines = list(export_lines(ledger))
    with open_ledger(str(tmp_path / "other.sqlite")) as other:
        with other.transaction():
            replace_one(fill(other))
        assert list(export_lines(other)) == lines


@pytest.mark.parametrize(
    ("column", "words"),
    [(SETS.c.purpose, PURPOSES), (RELEASES.c.decision, DECISIONS), (EVENTS.c.kind, tuple(Kind)),
     (ROD_STATES.c.state, STATES), (SET_ENDS.c.outcome, tuple(SetState))],
)
def test_every_word_fits_its_column(column, words):
    most = column.type.dialect_impl(postgresql.dialect()).length
    assert max(map(len, words)) <= most


def test_the_kept_ledger_of_this_revision_has_the_definitions_of_the_code():
    """A change of the tables needs a revision, and a kept ledger, of its own."""
    engine = create_engine(URL.create("sqlite"))
    METADATA.create_all(engine)
    with engine.connect() as connection:
        made = set(map(tuple, connection.exec_driver_sql("SELECT name, sql FROM sqlite_master")))
    engine.dispose()
    with closing(sqlite3.connect(f"file:{GOLDEN}/ledger-5.sqlite?mode=ro", uri=True)) as kept:
        assert set(kept.execute("SELECT name, sql FROM sqlite_master")) == made


def test_a_later_ledger_is_looked_at_and_not_written(filled, tamper):
    tamper(filled, f"UPDATE {FORM.name} SET version_num = '0099'", "DROP TABLE rod_states")
    words = "has revision 0099, this program reads 0001, 0002, 0003, 0004, 0005; it was written by"
    for act in (open_ledger, upgrade):
        with pytest.raises(InputError, match=words):
            act(filled).__enter__()
    with look_into(filled) as reader:
        assert reader.rods(CASE)[0].state == "delivered"
        assert verify(reader).ok


@pytest.mark.parametrize("least", ["1.6.1", "1.10.0", "99.0.0"])
def test_a_program_older_than_the_record_asks_for_only_looks(filled, tamper, least):
    tamper(filled, f"UPDATE {FORM.name} SET least_program = '{least}'")
    words = f"written by labkit {least} or later, this is labkit {__version__}; nothing was changed"
    with pytest.raises(LedgerError, match=words), open_ledger(filled):
        pass
    with look_into(filled) as reader:
        assert [each.case for each in reader.cases()] == [CASE]
        assert verify(reader).ok


def test_the_least_version_is_that_of_the_latest_set(url, tamper):
    """Begun by 1.2.0 and gone on by this program: named by then, and not lowered again."""
    to_the_first = f"UPDATE {FORM.name} SET least_program = '{revision.NAMED[0]}'"
    with open_ledger(url) as ledger:
        fill(ledger)
    tamper(url, to_the_first)
    with open_ledger(url) as ledger:
        assert verify(ledger).ok  # no set of a program that would have named a later one
        Pen(ledger).open_case("QF-2")
        body = {**started("QF-2-r1"), "program": f"{__version__}+5ee748d0c1aa"}
        Pen(ledger)(Kind.SET_STARTED, "QF-2", body)
        with ledger.database.reading() as connection:
            assert connection.execute(FORM.select()).all() == [(REVISION, revision.LEAST_PROGRAM)]
    tamper(url, to_the_first)
    with open_ledger(url) as ledger:
        (problem,) = verify(ledger).problems
        assert problem.endswith(f"names {revision.LEAST_PROGRAM} or a later one")
        with pytest.raises(LedgerError, match=r"written: it names 1\.2\.0 as the earliest"):
            Pen(ledger).open_case("QF-2")


def test_a_record_of_this_program_names_a_version_that_it_has(url):
    with open_ledger(url) as ledger, ledger.database.reading() as connection:
        assert connection.execute(FORM.select()).all() == [(REVISION, revision.LEAST_PROGRAM)]


def test_events_of_another_form_are_told(tmp_path):
    """A later program may have kinds of events that this one does not know."""
    path = tmp_path / "ledger.sqlite"
    with open_ledger(str(path)) as ledger:
        fill(ledger)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(f"UPDATE {FORM.name} SET version_num = '0099'")
        body = json.loads(raw.execute("SELECT body FROM events WHERE seq = 5").fetchone()[0])
        raw.execute("UPDATE events SET body = ? WHERE seq = 5", (json.dumps(body),))
        raw.commit()
    with look_into(str(path)) as reader, pytest.raises(LedgerError, match="event 5 was changed"):
        reader.cases()


@pytest.mark.parametrize("mode", ["wal", "delete"])
def test_nobody_else_writes_between_the_backup_and_the_end_of_an_upgrade(
    kept, monkeypatch, mode
):
    # Closing a file lets go of every lock that a process holds on it (POSIX, fcntl); so the upgrade
    # opens nothing of its own while it holds the lock.
    url = kept(2, "sqlite")
    with closing(sqlite3.connect(url)) as raw:
        raw.execute(f"PRAGMA journal_mode = {mode}")
    answers = []

    def and_then_another(ledger, target):
        copied = backup(ledger, target)
        answers.append(subprocess.run(
            [sys.executable, "-c", ANOTHER_WRITER, url], capture_output=True, text=True, check=True
        ).stdout.split())
        return copied

    monkeypatch.setattr("labkit.ledger.upgrade.backup", and_then_another)
    upgrade(url)
    assert answers == [["read", "locked"]]
    with look_into(url) as reader:
        assert verify(reader, KEPT[2][0]).problems == ()


#: Reads, closes, and then tries to write.
ANOTHER_WRITER = """
import sqlite3, sys
for act in ("SELECT count(*) FROM events", "BEGIN IMMEDIATE"):
    connection = sqlite3.connect(sys.argv[1], timeout=0.2, isolation_level=None)
    try:
        connection.execute(act).fetchall()
        print("read" if act.startswith("SELECT") else "written")
    except sqlite3.OperationalError:
        print("locked")
    finally:
        connection.close()
"""


@pytest.mark.parametrize("kind", ["set-started", "set-made"])
def test_a_set_whose_event_is_gone_is_told_and_not_taken_for_another(kept, kind):
    url = kept(5, "sqlite")
    with closing(sqlite3.connect(url)) as raw:
        seq = raw.execute("SELECT min(seq) FROM events WHERE kind = ?", (kind,)).fetchone()[0]
        raw.execute("DELETE FROM events WHERE seq = ?", (seq,))
        raw.commit()
    with look_into(url) as reader, pytest.raises(LedgerError, match=f"event {seq} is missing"):
        reader.sets(CASE)


def test_an_event_that_is_gone_from_the_middle_stops_whoever_reads_them_all(kept):
    url = kept(5, "sqlite")
    with closing(sqlite3.connect(url)) as raw:
        raw.execute("DELETE FROM events WHERE seq = 7")
        raw.commit()
    with look_into(url) as reader, pytest.raises(LedgerError, match="event 6 is followed by 8: da"):
        list(reader.events())


def test_a_body_of_a_later_program_is_refused_in_a_sentence():
    with pytest.raises(LedgerError, match="holds later, which this version of labkit does not"):
        require_known_keys({"identifier": "", "later": 1}, StoredReading)
