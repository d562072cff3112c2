"""Opens a ledger of any known revision and brings it up to date."""

from __future__ import annotations

import sqlite3
from functools import cache
from pathlib import Path

from sqlalchemy import Connection, inspect, text
from sqlalchemy.engine import URL

from labkit.errors import InputError, LedgerError
from labkit.ledger.database import APPLICATION_ID, WAIT_SECONDS, Database, use_write_ahead_log
from labkit.ledger.new_file import beside, put
from labkit.ledger.place import file_of
from labkit.ledger.trouble import told

#: Every revision that this program reads, the last one being what it writes.
REVISIONS = ("0001", "0002")
VERSION_TABLE = "labkit_ledger_revision"
MIGRATIONS = Path(__file__).parent / "migrations"


def open_database(
    url: URL, *, create: bool, make_folder: bool = False, wait_seconds: float = WAIT_SECONDS
) -> Database:
    """Open the database of a ledger, made or migrated where needed.

    Args:
        url: Where it lies.
        create: Whether to begin a new ledger where there is none.
        make_folder: Whether to make the folder of a new SQLite file.

    Returns:
        The open database, of the last revision.

    Raises:
        InputError: There is no ledger, or what lies there is not one that this program reads.
        LedgerError: It cannot be read or written now.
    """
    path = file_of(url)
    if path is not None:
        _look_at(path, create=create, make_folder=make_folder)
        if not path.exists():
            _begin_file(path, wait_seconds)
    database = Database(url, wait_seconds)
    try:
        with told(database.place):
            _bring_up_to_date(database, create=create)
            if path is not None and create and _journal(database) != "wal":
                use_write_ahead_log(path, wait_seconds)  # a backup that became the ledger
    except BaseException:
        database.close()
        raise
    return database


def _look_at(path: Path, *, create: bool, make_folder: bool) -> None:
    """Refuse a place that holds no ledger, before SQLite makes a file there."""
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
                "with `labkit ledger restore` after removing it, or remove it to begin anew",
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
    _need_folder(path.parent, make=make_folder)


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
            upgrade(connection)
    finally:
        database.close()


def _bring_up_to_date(database: Database, *, create: bool) -> None:
    if database.is_sqlite:
        _need_mark(database)
    with database.reading() as connection:
        found = found_revision(connection)
    if found == REVISIONS[-1]:
        return
    if found is None and database.is_sqlite:
        raise _unknown(database, "no revision")
    if found is None and not create:
        raise InputError(
            f"there is no ledger in {database.place}; name the lab's ledger with --ledger",
            field="ledger",
        )
    if found is not None and found not in REVISIONS:
        raise _unknown(database, f"revision {found}")
    with database.writing() as connection:
        if found_revision(connection) != REVISIONS[-1]:  # another process may have been quicker
            upgrade(connection)


def _need_mark(database: Database) -> None:
    with database.reading() as connection:
        mark = connection.exec_driver_sql("PRAGMA application_id").scalar()
    if mark != APPLICATION_ID:
        raise InputError(
            f"the file {database.place} is an SQLite database of another program, not a ledger; "
            "nothing was changed; name the lab's ledger with --ledger",
            field="ledger",
        )


def _journal(database: Database) -> str:
    with database.reading() as connection:
        return str(connection.exec_driver_sql("PRAGMA journal_mode").scalar())


def _unknown(database: Database, what: str) -> InputError:
    return InputError(
        f"the ledger {database.place} has {what}, this program reads {', '.join(REVISIONS)}; it "
        "was written by a newer labkit, or is damaged; nothing was changed; use that version",
        field="ledger",
    )


def found_revision(connection: Connection) -> str | None:
    """Read the revision of a ledger, None where there is none."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalars().all()
    return ", ".join(map(str, found)) if found else "none"


def upgrade(connection: Connection) -> None:
    """Run the migrations that are missing, within the transaction of the connection."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


@cache
def expected_schema() -> frozenset[tuple[str, ...]]:
    """Give the definitions that a fresh SQLite ledger has, as SQLite keeps them."""
    database = Database(URL.create("sqlite", database=":memory:"))
    try:
        with database.writing() as connection:
            upgrade(connection)
        with database.reading() as connection:
            return schema_of(connection)
    finally:
        database.close()


def schema_of(connection: Connection) -> frozenset[tuple[str, ...]]:
    """Read the definitions of an SQLite file."""
    rows = connection.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_master")
    return frozenset(tuple(str(part) for part in row) for row in rows)
