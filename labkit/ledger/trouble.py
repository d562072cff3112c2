"""What a database complains of, told in one sentence for people."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from labkit.errors import InputError, LabkitError, LedgerAwayError, LedgerError

_LOCKED = (
    "is locked by another program that has been writing for too long; nothing was recorded; "
    "try again when it is done"
)
_READ_ONLY = (
    "cannot be written: the file or its folder is read-only; nothing was recorded; "
    "allow writing there or name another ledger with --ledger"
)
_FULL = (
    "cannot be written: the disk is full or a limit on file sizes is reached; nothing was "
    "recorded; make room and try again"
)
_FAILING = (
    "cannot be read or written: the disk is full or a limit on file sizes is reached, or the "
    "disk is failing; nothing was recorded; make room and try again"
)
_DAMAGED = (
    "is damaged; nothing was recorded; check it with `labkit ledger verify`, keep the damaged "
    "file, and go on from a backup with `labkit ledger restore`"
)
_FOREIGN = "is not a ledger; nothing was changed; name the lab's ledger with --ledger"
_CLOSED = (
    "cannot be opened; check that its folder is there and that you may read and write in it"
)
_MIXED = (
    "does not hold the tables of a ledger, or has other tables in their place; nothing was "
    "recorded; give the ledger a database or schema of its own"
)
_TWICE = (
    "does not take the entry: it repeats something that is recorded already, or refers to "
    "something that is not; nothing was recorded"
)
_UNREACHABLE = (
    "cannot be reached; check that the server runs, the address, the name and the password"
)

#: Beginning of SQLite's error name → sentence, the first that fits.
_SQLITE = (
    ("SQLITE_BUSY", _LOCKED),
    ("SQLITE_LOCKED", _LOCKED),
    ("SQLITE_READONLY", _READ_ONLY),
    ("SQLITE_FULL", _FULL),
    ("SQLITE_IOERR", _FAILING),
    ("SQLITE_NOTADB", _FOREIGN),
    ("SQLITE_CORRUPT", _DAMAGED),
    ("SQLITE_CANTOPEN", _CLOSED),
    ("SQLITE_PERM", _CLOSED),
    ("SQLITE_CONSTRAINT", _TWICE),
)
#: Beginning of the SQLSTATE of a server → sentence, the first that fits.
_SERVER = (
    ("55P03", _LOCKED),
    ("40", _LOCKED),
    ("53100", _FULL),
    ("25006", _READ_ONLY),
    ("42501", _READ_ONLY),
    ("23", _TWICE),
    ("42P", _MIXED),
    ("42703", _MIXED),
    ("3F", _MIXED),
    ("28", _UNREACHABLE),
    ("08", _UNREACHABLE),
    ("3D", _UNREACHABLE),
    ("57P", _UNREACHABLE),
    ("XX", _DAMAGED),
)


@contextmanager
def told(place: str) -> Iterator[None]:
    """Turn a database's complaint into a LabkitError.

    Raises:
        LedgerError: One sentence that says what is wrong and what to do.
        InputError: What lies there is not a ledger.
    """
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, UnicodeDecodeError) as error:
        raise told_of(error, place) from error


def told_of(error: Exception, place: str) -> LabkitError:
    """Find the sentence for a database's complaint."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig else error
    sentence = _sentence(cause)
    if sentence == _FOREIGN:
        return InputError(f"the file {place} {sentence}", field="ledger")
    detail = "" if sentence in (_LOCKED, _READ_ONLY) else f" ({_first_line(cause)})"
    kind = LedgerAwayError if sentence == _UNREACHABLE else LedgerError
    return kind(f"the ledger {place} {sentence}{detail}", field="ledger")


def _sentence(cause: BaseException) -> str:
    name = getattr(cause, "sqlite_errorname", None)
    if name:
        return next((words for begin, words in _SQLITE if name.startswith(begin)), _DAMAGED)
    if hasattr(cause, "sqlstate"):
        state = cause.sqlstate or "08"
        return next((words for begin, words in _SERVER if state.startswith(begin)), _DAMAGED)
    return _DAMAGED


def _first_line(cause: BaseException) -> str:
    return (str(cause).splitlines() or [type(cause).__name__])[0]
