"""Looking changes nothing: not a byte of the file, and nothing is left beside it."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from labkit.errors import LedgerError
from labkit.ledger.store import look_into, open_ledger
from labkit.ledger.transfer import backup, export_lines
from labkit.ledger.verify import verify
from tests.ledger.conftest import without_rights
from tests.ledger.test_revisions import CASE, KEPT, kept_file, seen
from tests.support.ledgers import Pen, fill


def look(path, events):
    """Ask what the commands ask; give the state of the first rod."""
    with look_into(str(path)) as reader, reader.snapshot():
        assert reader.cases()[0].case == CASE
        assert verify(reader).problems == ()
        assert len(reader.story(CASE)) == events
        assert len(list(export_lines(reader))) > events
        return reader.rods(CASE)[0].state


@pytest.fixture
def with_log(tmp_path):
    """A ledger as it is used, with a write-ahead log."""
    path = tmp_path / "used" / "ledger.sqlite"
    path.parent.mkdir()
    with open_ledger(str(path)) as ledger, ledger.transaction():
        fill(ledger)
    assert [each.name for each in path.parent.iterdir()] == ["ledger.sqlite"]
    return path


def test_a_ledger_with_a_log_is_left_as_it_is(with_log):
    before = seen(with_log.parent)
    assert look(with_log, 17) == "delivered"
    assert seen(with_log.parent) == before


@pytest.mark.parametrize("file_mode", [0o444, 0o644])
@pytest.mark.parametrize("kind", ["log", *KEPT])
def test_a_ledger_on_a_read_only_medium(open_folder, with_log, tmp_path, kind, file_mode):
    path = open_folder / "ledger.sqlite"
    if kind == "log":
        shutil.copyfile(with_log, path)
    else:
        kept_file(kind, open_folder)
    path.chmod(file_mode)
    open_folder.chmod(0o555)
    before = seen(open_folder)
    with without_rights(), tempfile.TemporaryDirectory() as copies:
        with look_into(str(path)) as reader:
            assert backup(reader, Path(copies) / "copy.sqlite") == reader.head()
        assert look(path, 17 if kind == "log" else KEPT[kind][1]) == "delivered"
    assert seen(open_folder) == before


def test_what_a_killed_run_has_committed_is_seen_and_left_where_it_is(with_log, tmp_path):
    """Its entries may still lie in the log alone."""
    crashed = tmp_path / "crashed"
    crashed.mkdir()
    with open_ledger(str(with_log)) as ledger:
        Pen(ledger).open_case("QF-2")
        for name in ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"):
            shutil.copyfile(with_log.with_name(name), crashed / name)
    before = seen(crashed)
    del before["ledger.sqlite-shm"]  # the index of the log, which every reader marks
    with look_into(str(crashed / "ledger.sqlite")) as reader:
        assert [each.case for each in reader.cases()] == [CASE, "QF-2"]
    assert before.items() <= seen(crashed).items()


def test_others_go_on_writing_while_one_looks(with_log):
    with look_into(str(with_log)) as reader, reader.snapshot():
        assert len(reader.cases()) == 1
        with open_ledger(str(with_log)) as writer:
            Pen(writer).open_case("QF-2")
        assert len(reader.cases()) == 1
        assert verify(reader).ok
    assert [each.name for each in with_log.parent.iterdir()] == ["ledger.sqlite"]
    with look_into(str(with_log)) as reader:
        assert len(reader.cases()) == 2


def test_a_file_written_by_others_while_it_is_looked_at_without_a_lock(open_folder):
    path = kept_file(5, open_folder)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode = WAL")
    path.chmod(0o444)
    words = "was written while it was looked at from a place that is read-only; look again"
    with pytest.raises(LedgerError, match=words), ExitStack() as looking:
        with without_rights():
            reader = looking.enter_context(look_into(str(path)))
            assert len(reader.cases()) == 1
        path.chmod(0o644)
        with open_ledger(str(path)) as writer:
            Pen(writer).open_case("QF-2")


def test_what_looks_damaged_in_a_file_written_meanwhile_is_told_as_that(open_folder):
    path = kept_file(5, open_folder)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode = WAL")
    path.chmod(0o444)
    words = "was written while it was looked at from a place that is read-only; look again"
    with pytest.raises(LedgerError, match=words), ExitStack() as looking:
        with without_rights():
            looking.enter_context(look_into(str(path)))
        path.chmod(0o644)
        with open_ledger(str(path)) as writer:
            Pen(writer).open_case("QF-2")
        raise LedgerError("event 3 was changed or is damaged")


def test_nothing_can_be_written_through_a_look(with_log):
    words = "cannot be written: the file or its folder is read-only"
    with look_into(str(with_log)) as reader:
        with pytest.raises(LedgerError, match=words), reader.database.writing():
            pass
        with pytest.raises(LedgerError, match=words), reader.database.reading() as connection:
            connection.exec_driver_sql("DELETE FROM cases")


def test_a_backup_of_a_kept_ledger_is_of_its_revision(tmp_path):
    path = kept_file(1, tmp_path / "kept")
    before = seen(path.parent)
    with look_into(str(path)) as reader:
        backup(reader, tmp_path / "copy.sqlite")
    assert seen(path.parent) == before
    with closing(sqlite3.connect(tmp_path / "copy.sqlite")) as copy:
        assert copy.execute("SELECT version_num FROM labkit_ledger_revision").fetchall() == [
            ("0001",)
        ]
