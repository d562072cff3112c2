"""A ledger of every earlier revision opens; the migrations give the tables of the code."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.command import upgrade
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.dialects import postgresql
from sqlalchemy.engine import URL

from labkit.errors import InputError
from labkit.ledger import revision
from labkit.ledger.events import Kind
from labkit.ledger.forms import DECISIONS, PURPOSES
from labkit.ledger.forms import ROD_STATES as STATES
from labkit.ledger.revision import MIGRATIONS, REVISIONS, VERSION_TABLE, expected_schema, schema_of
from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.tables import EVENTS, METADATA, RELEASES, ROD_STATES, SET_ENDS, SETS
from labkit.ledger.transfer import export_lines
from labkit.ledger.verify import verify
from tests.ledger.conftest import fresh_schema
from tests.support.ledgers import Pen, fill, replace_one

GOLDEN = Path(__file__).parent.parent / "golden"
#: Change alarm: where the chain of a kept ledger ends, and how many events and rods it has. Each
#: was written once, by the revision in its name.
KEPT = {
    1: ("c66b4f5fdfdfaf21ac3b0b051cd51f15ccbf3bdd9f75860b069caaf5aec115ea", 17, 10),
    2: ("303b9e8a8b286c608cdb067dbb964a8c715451ab2bf64097c7c564dd35e56d0e", 23, 11),
}

NEXT = '''
import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade():
    op.add_column("cases", sa.Column("shelf", sa.Integer(), nullable=True))
    op.create_table("shelves", sa.Column("number", sa.Integer(), primary_key=True))
    {last}
'''


@pytest.mark.parametrize("number", KEPT)
def test_a_kept_ledger_of_each_revision_opens_and_verifies(tmp_path, number):
    head, events, rods = KEPT[number]
    golden = tmp_path / "ledger.sqlite"
    shutil.copy(GOLDEN / f"ledger-{number}.sqlite", golden)
    with open_ledger(str(golden), create=False) as ledger:
        found = verify(ledger, head)
        assert found.problems == ()
        assert (found.events, found.head) == (events, head)
        assert [c.case for c in ledger.cases()] == ["QF-1043"]
        assert len(ledger.rods("QF-1043")) == rods
        Pen(ledger).open_case("QF-2")
        assert verify(ledger, head).ok


def test_there_is_a_kept_ledger_of_each_revision():
    assert [f"{number:04}" for number in KEPT] == list(REVISIONS)


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


def test_an_earlier_ledger_on_a_server_takes_them_after_its_migration(server):
    """The column for a set's purpose was shorter than the word."""
    url = fresh_schema(server)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(revision, "REVISIONS", ("0001",))
        patched.setattr(command, "upgrade", lambda config, _: upgrade(config, "0001"))
        with open_ledger(url) as ledger, ledger.transaction():
            fill(ledger)
    with open_ledger(url, create=False) as ledger:
        with ledger.database.reading() as connection:
            assert revision.found_revision(connection) == REVISIONS[-1]
        with ledger.transaction():
            replace_one(Pen(ledger))
        assert verify(ledger).ok


@pytest.mark.parametrize(
    ("column", "words"),
    [(SETS.c.purpose, PURPOSES), (RELEASES.c.decision, DECISIONS), (EVENTS.c.kind, tuple(Kind)),
     (ROD_STATES.c.state, STATES), (SET_ENDS.c.outcome, tuple(SetState))],
)  # fmt: skip
def test_every_word_fits_its_column(column, words):
    most = column.type.dialect_impl(postgresql.dialect()).length
    assert max(map(len, words)) <= most


def test_the_migrations_are_numbered_and_end_where_the_program_does():
    script = ScriptDirectory(str(MIGRATIONS))
    found = [step.revision for step in script.walk_revisions()]
    assert tuple(reversed(found)) == REVISIONS
    assert found == [f"{number:04}" for number in range(len(found), 0, -1)]


def test_the_migrations_give_the_tables_of_the_code(url):
    with open_ledger(url) as ledger, ledger.database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, METADATA) == []


def test_the_definitions_are_those_of_the_code_to_the_name():
    """Autogenerate does not compare every name and key; the text of the definitions does."""
    engine = create_engine(URL.create("sqlite"))
    with engine.begin() as connection:
        METADATA.create_all(connection)
        made = {(kind, name, table) for kind, name, table, _ in schema_of(connection)}
        foreign = {
            table: sorted(map(str, connection.exec_driver_sql(f"PRAGMA foreign_key_list({table})")))
            for table in METADATA.tables
        }
    migrated = {
        (kind, name, table)
        for kind, name, table, _ in expected_schema()
        if table != VERSION_TABLE
    }
    engine.dispose()
    assert migrated == made
    assert sum(len(keys) for keys in foreign.values()) == sum(
        sql.count("FOREIGN KEY") for *_, sql in expected_schema()
    )


@pytest.fixture
def later(tmp_path, monkeypatch):
    """Make the program one revision newer."""

    def make(last="pass"):
        folder = tmp_path / "migrations"
        shutil.copytree(MIGRATIONS, folder)
        (folder / "versions" / "rev_0003_shelves.py").write_text(NEXT.format(last=last))
        monkeypatch.setattr(revision, "MIGRATIONS", folder)
        monkeypatch.setattr(revision, "REVISIONS", ("0001", "0002", "0003"))

    return make


def test_an_earlier_ledger_is_migrated_on_opening(filled, later):
    with open_ledger(filled) as ledger:
        before = list(export_lines(ledger))
    later()
    for _ in range(2):
        with open_ledger(filled, create=False) as ledger:
            with ledger.database.reading() as connection:
                assert connection.exec_driver_sql("SELECT shelf FROM cases").all() == [(None,)]
            assert list(export_lines(ledger)) == before


def test_a_migration_that_fails_changes_nothing(filled, later):
    later(last="op.execute('INSERT INTO no_such_table VALUES (1)')")
    with pytest.raises(Exception, match="no_such_table"), open_ledger(filled):
        pass
    revision.REVISIONS = ("0001", "0002")
    with open_ledger(filled) as ledger:
        found = verify(ledger)
        assert found.ok, found.problems
        with ledger.database.reading() as connection:
            assert revision.found_revision(connection) == "0002"


def test_a_later_ledger_is_refused_with_a_sentence(filled, tamper):
    tamper(filled, f"UPDATE {VERSION_TABLE} SET version_num = '0099'")
    words = "has revision 0099, this program reads 0001, 0002; it was written by a newer labkit"
    with pytest.raises(InputError, match=words), open_ledger(filled):
        pass
