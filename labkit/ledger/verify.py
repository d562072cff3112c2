"""Finds any change: the chain computed anew, every row derived anew, the database's own check."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, Table, select

from labkit.errors import LabkitError, LedgerError
from labkit.ledger.checks import (
    Run,
    check_form,
    check_head,
    check_least,
    check_place,
    check_rows,
    check_strays,
    derived_columns,
    sound_event,
)
from labkit.ledger.database import BATCH, batched, streamed
from labkit.ledger.queries import Reader
from labkit.ledger.revision import found_revision
from labkit.ledger.rows import Row, rows_of
from labkit.ledger.tables import EVENTS
from labkit.ledger.trouble import told


@dataclass(frozen=True)
class Verification:
    """What `verify` found.

    Args:
        head: Digest of the last event, `GENESIS` where there is none.
        identity: Digest of the first one, as `identity_of`.
        problems: A sentence for each thing that is not as it was written.
    """

    events: int
    head: str
    identity: str
    problems: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing was found."""
        return not self.problems


def verify(ledger: Reader, *noted: str) -> Verification:
    """Check that nothing in a ledger has changed since it was written.

    Args:
        noted: Digests noted earlier; each must be found in the chain. Without one, a ledger
            whose whole chain was made anew by someone who knows how cannot be told.

    Returns:
        What was found; a database that cannot be read is among the problems.
    """
    run = Run()
    try:
        with ledger.snapshot(), told(ledger.place):
            _check(ledger, run)
    except LabkitError as error:
        run.problem(str(error))
    for digest in (each for each in noted if each.lower() not in run.digests):
        run.problem(
            f"no event has the digest {digest}: it was noted from another ledger, or events that "
            "were there then are gone"
        )
    return Verification(run.count, run.last, run.first, tuple(run.problems))


def _check(ledger: Reader, run: Run) -> None:
    with ledger.database.reading() as connection:
        revision = found_revision(connection) or ""
        if ledger.database.is_sqlite and not _check_pages(connection, run):
            return
        check_form(connection, run, revision)
        run.columns = derived_columns(connection, revision)
        for batch in batched(streamed(connection, select(EVENTS).order_by(EVENTS.c.seq)), BATCH):
            rows: list[Row] = []
            for entry in batch:
                check_place(entry, run)
                event = sound_event(entry, run)
                rows += rows_of(event) if event else ()
            check_rows(connection, run, rows, _between(batch[0].seq, batch[-1].seq))
        check_strays(connection, run)
        check_head(connection, run)
        check_least(connection, run, revision)


def _between(first: int, last: int) -> Callable[[Table], ColumnElement[bool]]:
    return lambda table: table.c.seq.between(first, last)


def _check_pages(connection: Connection, run: Run) -> bool:
    """Let SQLite check its pages and indexes.

    Returns:
        Whether the pages can be read further; where they contradict each other, what is read
        from them may not even come in order.
    """
    for (line,) in connection.exec_driver_sql("PRAGMA integrity_check(20)"):
        if line != "ok":
            run.problem(f"the database finds: {line}")
    if run.problems:
        return False
    for table, *_ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        run.problem(f"the database finds: a row of {table} refers to nothing")
    return True


def require_sound(ledger: Reader) -> Verification:
    """Verify a ledger before something relies on it.

    Raises:
        LedgerError: Something was found; the sentence names the first of it.
    """
    found = verify(ledger)
    if not found.ok:
        raise LedgerError(
            f"the ledger {ledger.place} does not verify: {found.problems[0]}; nothing was done; "
            "check it with `labkit ledger verify`"
        )
    return found
