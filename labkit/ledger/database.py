"""One connection to the database of a ledger: durable, serial for writers, errors as sentences."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Select, create_engine, event, inspect, select, text
from sqlalchemy.engine import URL, Engine
from sqlalchemy.exc import NoSuchModuleError
from sqlalchemy.pool import NullPool

from labkit.errors import InputError, LedgerError
from labkit.ledger.place import file_of, shown
from labkit.ledger.tables import HEAD
from labkit.ledger.trouble import told

#: Marks an SQLite file as a ledger ("LBKT" in ASCII), so that no other program's file is taken
#: for one.
APPLICATION_ID = 0x4C424B54
#: Key of the advisory lock that writers hold on PostgreSQL.
ADVISORY_KEY = 0x4C424B54
#: How long a writer waits for others. A record takes milliseconds; half a minute means trouble.
WAIT_SECONDS = 30.0
#: Events read or written at a time.
BATCH = 500
_WRITING = "labkit_writing"
T = TypeVar("T")


class Database:
    """One open connection; not to be shared between threads.

    Args:
        looking: Whether nothing may change, not even a file beside an SQLite file.
    """

    def __init__(
        self, url: URL, wait_seconds: float = WAIT_SECONDS, *, looking: bool = False
    ) -> None:
        self.place = shown(url)
        self.file = file_of(url)
        self.wait_seconds = wait_seconds
        self._depth = 0
        self._writing = False
        self._frozen: tuple[object, ...] | None = None
        placed, way = _placed(url), ""
        with told(self.place):
            if self.file and looking:
                way = _way_to_look(self.file)
                self._frozen = _state_of(self.file) if way == _FROZEN else None
            self.connection: Connection = _engine(placed, wait_seconds, way).connect()

    @classmethod
    def passing(cls, place: str) -> Database:
        """Begin an empty database that is gone when it is closed, and on disk where it grows.

        Args:
            place: What to call it in a complaint.
        """
        made = cls(URL.create("sqlite", database=""), looking=False)
        made.place = place
        return made

    @property
    def is_sqlite(self) -> bool:
        """Whether the ledger is an SQLite file."""
        return self.file is not None

    @property
    def is_writing(self) -> bool:
        """Whether a block that writes is open."""
        return self._writing

    def close(self) -> None:
        """Close the connection."""
        with told(self.place):
            self.connection.close()

    def check_unchanged(self) -> None:
        """Make sure that a file which could not be locked was not written meanwhile.

        Raises:
            LedgerError: It was, so that what was read may be half of the old and half of the new.
        """
        if self._frozen is not None and self.file and _state_of(self.file) != self._frozen:
            raise LedgerError(
                f"the ledger {self.place} was written while it was looked at from a place that is "
                "read-only; look again",
                field="ledger",
            )

    def copy_pages(self, target: Path) -> None:
        """Copy an SQLite ledger to a file, page by page, while others go on working."""
        assert not self._writing  # SQLite would wait for itself
        with told(str(target)):
            copy = sqlite3.connect(target)
            try:
                raw = self.connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.backup(copy)
            finally:
                copy.close()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open one unchanging view of the ledger; inside a transaction, that transaction."""
        with self._transaction(writing=False) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Hold the write lock: what is read in the block cannot change before it ends."""
        with self._transaction(writing=True) as connection:
            yield connection

    @contextmanager
    def _transaction(self, *, writing: bool) -> Iterator[Connection]:
        with told(self.place):
            if self._depth:
                if writing and not self._writing:
                    raise AssertionError("writing was asked for inside a block that only reads")
                yield self.connection
                return
            self.connection.execution_options(**{_WRITING: writing})
            with self.connection.begin():
                self._depth, self._writing = 1, writing
                try:
                    _take_lock(self.connection, self.wait_seconds, writing=writing)
                    yield self.connection
                finally:
                    self._depth, self._writing = 0, False


def _placed(url: URL) -> URL:
    """Name a file in full: a relative path means another file after a change of folder."""
    file = file_of(url)
    if file is None or not url.database:
        return url
    return url.set(database=str(file.absolute()))


_FROZEN = "immutable=1"


def _way_to_look(path: Path) -> str:
    """Choose how SQLite opens a file so that nothing is changed or left behind.

    Read-only it leaves the two files of the write-ahead log behind, where it has to make them; a
    connection that may write takes them away again. Where they cannot be made, nobody here writes.
    """
    log = Path(f"{path}-wal")
    with path.open("rb") as stream:
        keeps_log = stream.read(20)[18:] == b"\2\2"
    if not keeps_log or (log.exists() and log.stat().st_size):
        return "mode=ro"
    if all(os.access(each, os.W_OK, effective_ids=_EFFECTIVE) for each in (path, path.parent)):
        return "mode=rw"  # `query_only` lets nothing be written
    return _FROZEN


_EFFECTIVE = os.access in os.supports_effective_ids


def _state_of(path: Path) -> tuple[object, ...]:
    found = path.stat()
    return found.st_mtime_ns, found.st_size, Path(f"{path}-wal").exists()


@lru_cache(maxsize=16)  # an engine remembers compiled queries; with NullPool, nothing else
def _engine(url: URL, wait_seconds: float, way_to_look: str) -> Engine:
    arguments: dict[str, Any] = {}
    if url.get_backend_name() == "sqlite":
        place = Path(url.database).as_uri() if url.database else "file:"
        mode = f"?{way_to_look}" if way_to_look else ""

        def connect() -> sqlite3.Connection:
            return sqlite3.connect(
                f"{place}{mode}", timeout=wait_seconds, isolation_level=None, uri=True
            )

        arguments = {"creator": connect}
    try:
        engine = create_engine(url, poolclass=NullPool, **arguments)
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise InputError(
            f"the ledger {shown(url)} needs a database driver that is not installed ({error}); "
            "for PostgreSQL install labkit[postgresql]",
            field="ledger",
        ) from error
    if url.get_backend_name() == "sqlite":
        event.listen(engine, "connect", _prepare)
        event.listen(engine, "begin", _begin)
    if way_to_look:
        event.listen(engine, "connect", _let_nothing_be_written)
    return engine


def _begin(connection: Connection) -> None:
    """Begin as SQLite should: a writer takes the lock at once, so that it never has to give up."""
    writing = connection.get_execution_options().get(_WRITING, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _prepare(raw: sqlite3.Connection, _record: object) -> None:
    """Set what SQLite forgets with each connection: full sync, foreign keys, checked cells."""
    raw.execute("PRAGMA synchronous = FULL")
    raw.execute("PRAGMA foreign_keys = ON")
    raw.execute("PRAGMA cell_size_check = ON")
    raw.execute("PRAGMA trusted_schema = OFF")


def _let_nothing_be_written(raw: sqlite3.Connection, _record: object) -> None:
    raw.execute("PRAGMA query_only = ON")


def use_write_ahead_log(path: Path, wait_seconds: float = WAIT_SECONDS) -> None:
    """Switch an SQLite file to the write-ahead log, which it keeps.

    SQLite does not wait for other connections here, so this does.
    """
    until = time.monotonic() + wait_seconds
    raw = sqlite3.connect(path, timeout=wait_seconds, isolation_level=None)
    try:
        while True:
            try:
                raw.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.01)
            else:
                return
    finally:
        raw.close()


def _take_lock(connection: Connection, wait_seconds: float, *, writing: bool) -> None:
    """Take the write lock where BEGIN did not, or make a reader's view unchanging."""
    name = connection.dialect.name
    if name == "postgresql":
        if writing:
            connection.execute(
                text(
                    "SELECT set_config('lock_timeout', :wait, true), "
                    "set_config('synchronous_commit', 'on', true)"
                ),
                {"wait": f"{max(1, int(wait_seconds * 1000))}ms"},
            )
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ADVISORY_KEY})
        else:
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY"))
    elif name != "sqlite" and writing and inspect(connection).has_table(HEAD.name):
        connection.execute(select(HEAD.c.id).with_for_update())


def batched(values: Iterable[T], size: int) -> Iterator[list[T]]:
    """Cut values into lists of a size; the last one may be shorter."""
    iterator = iter(values)
    while some := list(islice(iterator, size)):
        yield some


def streamed(connection: Connection, query: Select[Any]) -> Iterator[Any]:
    """Read rows a batch at a time, so that memory does not grow with them."""
    return iter(connection.execute(query, execution_options={"yield_per": BATCH}))
