"""Opens the database of a ledger: to act on it, or only to look."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

from sqlalchemy.engine import URL

from labkit.errors import InputError, LedgerError
from labkit.ledger.database import APPLICATION_ID, Database, use_write_ahead_log
from labkit.ledger.new_file import beside, put, sweep
from labkit.ledger.place import file_of
from labkit.ledger.revision import begin, found_revision, require_known, require_ledger, require_own
from labkit.ledger.trouble import told


def open_to_look(url: URL) -> Database:
    """Open a ledger of any revision, so that nothing is changed.

    Raises:
        InputError: There is no ledger.
        LedgerError: It cannot be read now.
    """
    _require_file(url, create=False)
    return _checked(Database(url, looking=True), require_ledger)


def open_to_upgrade(url: URL) -> Database:
    """Open a ledger of this or an earlier revision, to bring it up to date.

    Raises:
        InputError: There is no ledger, or it is a newer program's.
        LedgerError: It cannot be read now.
    """
    _require_file(url, create=False)
    return _checked(Database(url), require_known)


def open_to_act(
    url: URL, wait_seconds: float, *, create: bool, make_folder: bool = False
) -> Database:
    """Open a ledger of this program's revision, begun where needed.

    Args:
        create: Whether to begin a new ledger where there is none.
        make_folder: Whether to make the folder of a new SQLite file.

    Raises:
        InputError: There is no ledger, or what lies there is not one that this program writes.
        LedgerError: It cannot be written now, or has to be upgraded first.
    """
    path = file_of(url)
    _require_file(url, create=create)
    if path is not None and path.exists():
        sweep(path)
    elif path is not None:
        _need_folder(path.parent, make=make_folder)
        _begin_file(path, wait_seconds)

    def require(database: Database) -> None:
        if path is None and create:
            _begin_on_server(database)
        require_own(database)
        if path is not None and create and _journal(database) != "wal":
            use_write_ahead_log(path, wait_seconds)  # a backup that became the ledger

    return _checked(Database(url, wait_seconds), require)


def _checked(database: Database, require: Callable[[Database], object]) -> Database:
    try:
        with told(database.place):
            require(database)
    except BaseException:
        database.close()
        raise
    return database


def _require_file(url: URL, *, create: bool) -> None:
    """Refuse a place that holds no ledger, before SQLite makes a file there."""
    path = file_of(url)
    if path is None:
        return
    if path.is_dir():
        raise InputError(
            f"{path} is a folder; a ledger is a file; name one in it, such as "
            f"{path / 'ledger.sqlite'}",
            field="ledger",
        )
    if path.exists():
        if path.is_file() and path.stat().st_size == 0:
            raise InputError(
                f"the file {path} is empty, which a ledger never is; put a backup in its place "
                "with `labkit ledger restore` after removing it, or remove it to begin a new one",
                field="ledger",
            )
        return
    if not create:
        raise InputError(
            f"there is no ledger at {path}; name the lab's ledger with --ledger, or make a set "
            "to begin one",
            field="ledger",
        )
    if Path(f"{path}-wal").exists():
        raise InputError(
            f"{path} is gone while its write-ahead log {path.name}-wal is still there; put the "
            "file back beside it, or move the log away and restore a backup",
            field="ledger",
        )


def _need_folder(folder: Path, *, make: bool) -> None:
    try:
        if make:
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LedgerError(
            f"the folder {folder} for the ledger cannot be made: {error.strerror}; name another "
            "place with --ledger",
            field="ledger",
        ) from error
    if not folder.is_dir():
        raise InputError(
            f"there is no folder {folder} for the ledger; make it, or name another place with "
            "--ledger",
            field="ledger",
        )


def _begin_file(path: Path, wait_seconds: float) -> None:
    """Begin a new SQLite ledger: whole in its place, or not there at all.

    The file is made beside its place and linked there once; where another process was
    quicker, its file stands.
    """
    try:
        with beside(path) as fresh:
            with told(str(path)):
                _fill(fresh, wait_seconds)
            put(fresh, path)
    except FileExistsError:
        return
    except OSError as error:
        raise LedgerError(
            f"a ledger cannot be begun at {path}: {error.strerror}; allow writing in its folder, "
            "make room on the disk, or name another place with --ledger",
            field="ledger",
        ) from error


def _fill(fresh: Path, wait_seconds: float) -> None:
    raw = sqlite3.connect(fresh, isolation_level=None)
    try:
        raw.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    finally:
        raw.close()
    use_write_ahead_log(fresh, wait_seconds)
    database = Database(URL.create("sqlite", database=str(fresh)), wait_seconds)
    try:
        with database.writing() as connection:
            begin(connection)
    finally:
        database.close()


def _begin_on_server(database: Database) -> None:
    with database.reading() as connection:
        found = found_revision(connection)
    if found is None:
        with database.writing() as connection:
            if found_revision(connection) is None:  # another process may have been quicker
                begin(connection)


def _journal(database: Database) -> str:
    with database.reading() as connection:
        return str(connection.exec_driver_sql("PRAGMA journal_mode").scalar())
