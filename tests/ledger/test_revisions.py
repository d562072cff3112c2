"""A ledger of every earlier revision opens; the migrations give the tables of the code."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.engine import URL

from labkit.errors import InputError
from labkit.ledger import revision
from labkit.ledger.revision import MIGRATIONS, REVISIONS, VERSION_TABLE, expected_schema, schema_of
from labkit.ledger.store import open_ledger
from labkit.ledger.tables import METADATA
from labkit.ledger.transfer import export_lines
from labkit.ledger.verify import verify
from tests.support.ledgers import Pen

GOLDEN = Path(__file__).parent.parent / "golden"
#: Change alarm: where the chain of the kept ledger ends. It was written once, by revision 0001.
GOLDEN_HEAD = "c66b4f5fdfdfaf21ac3b0b051cd51f15ccbf3bdd9f75860b069caaf5aec115ea"

NEXT = '''
import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade():
    op.add_column("cases", sa.Column("shelf", sa.Integer(), nullable=True))
    op.create_table("shelves", sa.Column("number", sa.Integer(), primary_key=True))
    {last}
'''


@pytest.fixture
def golden(tmp_path):
    path = tmp_path / "ledger-1.sqlite"
    shutil.copy(GOLDEN / "ledger-1.sqlite", path)
    return path


def test_the_kept_ledger_of_revision_1_opens_and_verifies(golden):
    with open_ledger(str(golden), create=False) as ledger:
        found = verify(ledger, GOLDEN_HEAD)
        assert found.problems == ()
        assert (found.events, found.head) == (17, GOLDEN_HEAD)
        assert [c.case for c in ledger.cases()] == ["QF-1043"]
        assert len(ledger.rods("QF-1043")) == 10
        Pen(ledger).open_case("QF-2")
        assert verify(ledger, GOLDEN_HEAD).ok


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
        (folder / "versions" / "rev_0002_shelves.py").write_text(NEXT.format(last=last))
        monkeypatch.setattr(revision, "MIGRATIONS", folder)
        monkeypatch.setattr(revision, "REVISIONS", ("0001", "0002"))

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
    revision.REVISIONS = ("0001",)
    with open_ledger(filled) as ledger:
        found = verify(ledger)
        assert found.ok, found.problems
        with ledger.database.reading() as connection:
            assert revision.found_revision(connection) == "0001"


def test_a_later_ledger_is_refused_with_a_sentence(filled, tamper):
    tamper(filled, f"UPDATE {VERSION_TABLE} SET version_num = '0099'")
    words = "has revision 0099, this program reads 0001; it was written by a newer labkit"
    with pytest.raises(InputError, match=words), open_ledger(filled):
        pass
