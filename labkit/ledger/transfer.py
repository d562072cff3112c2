"""Export to JSON Lines and back, backup to one file and back, always with the same digests."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from labkit.errors import InputError, LabkitError, LedgerError
from labkit.ledger.chain import event_of_json
from labkit.ledger.events import Event, Head, canonical_json, line_of
from labkit.ledger.new_file import beside, put, sweep
from labkit.ledger.queries import Reader
from labkit.ledger.rules import check_rules
from labkit.ledger.store import Ledger, look_into, open_ledger
from labkit.ledger.trouble import told
from labkit.ledger.verify import require_sound

FORMAT = "labkit-ledger"


def export_lines(ledger: Reader) -> Iterator[str]:
    """Give a ledger as JSON Lines: a first line that says how it ends, then every event.

    Yields:
        Lines without their ends.

    Raises:
        LedgerError: An event does not match its digest, or the events are not as many as
            the head says.
    """
    with ledger.snapshot():
        head = ledger.head()
        first = {"format": FORMAT, "schema": 1, "events": head.count, "head": head.digest}
        yield canonical_json(first)
        count = 0
        for event in ledger.events():
            count += 1
            yield line_of(event)
        if count != head.count:
            raise LedgerError(
                f"the ledger {ledger.place} has {count} events and a head that says "
                f"{head.count}; check it with `labkit ledger verify`"
            )


def export_to(ledger: Reader, target: Path) -> Head:
    """Export a ledger to a new file, whole or not at all.

    Args:
        target: The file; it must not be there.

    Returns:
        Where the chain ends.

    Raises:
        InputError: The file is there already.
        LedgerError: The ledger is damaged, or the file cannot be written.
    """
    with ledger.snapshot(), _write_beside(target) as fresh:
        with fresh.open("w", encoding="utf-8", newline="\n") as stream:
            stream.writelines(f"{line}\n" for line in export_lines(ledger))
        return ledger.head()


def import_from(ledger: Ledger, lines: Iterable[str], where: str) -> Head:
    """Read an export into an empty ledger, in one transaction.

    Args:
        ledger: The open ledger; it must have no events.

    Returns:
        Where the chain ends, as in the export.

    Raises:
        InputError: The lines are not a whole export.
        LedgerError: The ledger has events already, or an event does not match its digest.
    """
    stream = iter(lines)
    expected = _first_line(next(stream, ""), where)
    with ledger.transaction():
        _need_empty(ledger)
        for number, event in enumerate(_events_in(stream, where), 2):
            ledger.require_next(event)
            try:
                check_rules(ledger, event)
            except LabkitError as error:
                raise LedgerError(
                    f"event {event.seq} of the export is none that this program would record: "
                    f"{error.message}; nothing was imported; a record that an earlier version "
                    "wrote by other rules moves with `labkit ledger backup` and `restore`",
                    where=f"{where}:{number}",
                ) from error
            ledger.append([event])
        head = ledger.head()
        if head != expected:
            raise InputError(
                f"the export ends with event {head.count} where its first line promises "
                f"{expected.count} with digest {expected.digest[:12]}...; it is incomplete or "
                "changed; nothing was recorded; export again",
                where=where,
            )
    return head


def _first_line(line: str, where: str) -> Head:
    content = _json(line, where, 1)
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise InputError(
            "is not an export of a ledger; its first line must say so; make one with "
            "`labkit ledger export`",
            where=where,
        )
    count, digest = content.get("events"), content.get("head")
    if content.get("schema") != 1 or type(count) is not int or not isinstance(digest, str):
        raise InputError(
            "is an export of a form that this program does not read; use the labkit that "
            "wrote it",
            where=where,
        )
    return Head(count, digest)


def _events_in(lines: Iterator[str], where: str) -> Iterator[Event]:
    for number, line in enumerate(lines, 2):
        content = _json(line, where, number)
        try:
            event = event_of_json(content)
        except LabkitError as error:
            raise LedgerError(error.message, where=f"{where}:{number}") from error
        if line_of(event) != line.rstrip("\n"):
            raise LedgerError(
                "is not written as an export writes it; nothing was recorded; export again",
                where=f"{where}:{number}",
            )
        yield event


def _json(line: str, where: str, number: int) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError) as error:
        raise InputError(
            "is not one JSON object on one line, as an export has; nothing was recorded",
            where=f"{where}:{number}",
        ) from error


def _need_empty(ledger: Ledger) -> None:
    head = ledger.head()
    if head.count:
        raise LedgerError(
            f"the ledger {ledger.place} has {head.count} events already; only an empty one can "
            "be filled, and nothing is ever written over; name a new ledger with --ledger"
        )


def _append_all(ledger: Ledger, events: Iterable[Event]) -> None:
    _need_empty(ledger)
    ledger.append(events)


def backup(ledger: Reader, target: Path) -> Head:
    """Copy a ledger to one new SQLite file, which is itself a ledger.

    An SQLite ledger is copied page by page, whatever its revision, while others go on working;
    from any other database the events are copied and the rows derived anew.

    Args:
        target: The file; it must not be there.

    Returns:
        Where the chain of the verified copy ends.

    Raises:
        InputError: The file is there already.
        LedgerError: The copy does not verify, or cannot be written.
    """
    with _write_beside(target) as fresh:
        if ledger.database.is_sqlite:
            ledger.database.copy_pages(fresh)
        else:
            fresh.unlink()
            _copy_events(ledger, fresh)
        _into_one_file(fresh)
        with look_into(str(fresh)) as written:
            found = require_sound(written)
    return Head(found.events, found.head)


def _copy_events(ledger: Reader, fresh: Path) -> None:
    """Copy the events of a ledger to a new file, which is verified afterwards.

    Raises:
        LedgerError: One has no right form, or does not match its digest.
    """
    try:
        with open_ledger(str(fresh)) as copy, ledger.snapshot():
            copy.append(ledger.events(), known=True)
    except (KeyError, TypeError) as error:  # what rows are derived from is not there
        raise LedgerError(
            f"the ledger {ledger.place} has an event whose body is of no right form; nothing was "
            "copied; check it with `labkit ledger verify`"
        ) from error


def _into_one_file(path: Path) -> None:
    """Give up the log beside a copy, so that it can be read from a place that is read-only."""
    with told(str(path)):
        raw = sqlite3.connect(path, isolation_level=None)
        try:
            raw.execute("PRAGMA journal_mode = DELETE")
        finally:
            raw.close()


def restore(source: Path, url: str | None) -> Head:
    """Fill a new or empty ledger from a backup or an export.

    Args:
        source: A backup (SQLite) or an export (JSON Lines).
        url: The ledger, as for `open_ledger`; it must not be there, or have no events.

    Returns:
        Where the chain ends.

    Raises:
        InputError: The source is neither.
        LedgerError: The source does not verify, or the ledger has events already.
    """
    if _starts_like_sqlite(source):
        with look_into(str(source)) as old:
            found = require_sound(old)
            with open_ledger(url) as ledger, old.snapshot(), ledger.transaction():
                _append_all(ledger, old.events())
        return Head(found.events, found.head)
    with open_ledger(url) as ledger, text_of(source) as stream:
        return import_from(ledger, stream, str(source))


def _starts_like_sqlite(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return stream.read(16) == b"SQLite format 3\0"
    except OSError as error:
        raise _cannot("read", path, error) from error


@contextmanager
def text_of(path: Path) -> Iterator[TextIO]:
    """Open an export for reading.

    Raises:
        InputError: It cannot be read as text.
    """
    try:
        with path.open(encoding="utf-8", newline="\n") as stream:
            yield stream
    except OSError as error:
        raise _cannot("read", path, error) from error
    except UnicodeDecodeError as error:
        raise InputError("is not text in UTF-8, as an export is", where=str(path)) from error


@contextmanager
def _write_beside(target: Path) -> Iterator[Path]:
    """Give a file beside a target that gets its name when the block ends well."""
    if target.exists() or target.is_symlink():
        sweep(target)
        raise _there_already(target)
    try:
        with beside(target) as fresh:
            yield fresh
            put(fresh, target)
    except FileExistsError as error:
        raise _there_already(target) from error
    except OSError as error:
        raise _cannot("write", target, error) from error


def _there_already(target: Path) -> InputError:
    return InputError(
        f"{target} is there already and nothing is written over; name a new file"
    )


def _cannot(what: str, path: Path, error: OSError) -> LabkitError:
    kind = InputError if what == "read" else LedgerError
    return kind(f"{path} cannot be {'read' if what == 'read' else 'written'}: {error.strerror}")
