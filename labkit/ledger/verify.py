"""Finds any change: the chain computed anew, every row derived anew, the database's own check."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Select, bindparam, not_, or_, select

from labkit.errors import LabkitError, LedgerError
from labkit.ledger.chain import event_of
from labkit.ledger.events import GENESIS, Event
from labkit.ledger.forms import check_body
from labkit.ledger.queries import BATCH
from labkit.ledger.revision import expected_schema, schema_of
from labkit.ledger.rows import rows_of
from labkit.ledger.store import Ledger
from labkit.ledger.tables import DERIVED, EVENTS, HEAD
from labkit.ledger.trouble import told

#: Problems named one by one; a ledger with more is not repaired by reading them.
MOST_PROBLEMS = 100
_LOW: Any = bindparam("low")
_HIGH: Any = bindparam("high")
#: Table → rows of the events from `low` to `high`, and rows of none of them.
_WITHIN = {t.name: select(t).where(t.c.seq.between(_LOW, _HIGH)) for t in DERIVED}
_OUTSIDE = {
    t.name: select(t).where(or_(not_(t.c.seq.between(_LOW, _HIGH)), t.c.seq.is_(None)))
    for t in DERIVED
}


@dataclass(frozen=True)
class Verification:
    """What `verify` found.

    Args:
        head: Digest of the last event, `GENESIS` where there is none.
        problems: A sentence for each thing that is not as it was written.
    """

    events: int
    head: str
    problems: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing was found."""
        return not self.problems


def verify(ledger: Ledger, head: str | None = None) -> Verification:
    """Check that nothing in a ledger has changed since it was written.

    Args:
        head: A digest noted earlier; it must be found in the chain. Without it, a ledger
            whose whole chain was made anew by someone who knows how cannot be told.

    Returns:
        What was found; a database that cannot be read is among the problems.
    """
    run = _Run()
    try:
        with ledger.snapshot(), told(ledger.place):
            _check(ledger, run)
    except LabkitError as error:
        run.problem(str(error))
    if head is not None and head not in run.digests:
        run.problem(
            f"no event has the digest {head}: it was noted from another ledger, or events that "
            "were there then are gone"
        )
    return Verification(run.count, run.last, tuple(run.problems))


@dataclass
class _Run:
    """How far the check has come."""

    count: int = 0
    last: str = GENESIS
    digests: set[str] = field(default_factory=lambda: {GENESIS})
    problems: list[str] = field(default_factory=list)
    more: int = 0

    def problem(self, sentence: str) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(sentence)


def _check(ledger: Ledger, run: _Run) -> None:
    with ledger.database.reading() as connection:
        if ledger.database.is_sqlite and not _check_sqlite(connection, run):
            return
        for batch in _batches(connection):
            events = [event for row in batch if (event := _check_event(row, run)) is not None]
            _check_rows(connection, run, events, (batch[0].seq, batch[-1].seq))
        _check_strays(connection, run)
        _check_head(connection, run)


def _check_sqlite(connection: Connection, run: _Run) -> bool:
    """Let SQLite check its pages and indexes, and compare the definitions.

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
    if schema_of(connection) != expected_schema():
        run.problem("the definitions of tables or indexes are not those of this revision")
    return True


def _batches(connection: Connection) -> Iterator[Sequence[Any]]:
    query = select(EVENTS).order_by(EVENTS.c.seq).limit(BATCH)
    batch = connection.execute(query).all()
    while batch:
        yield batch
        batch = connection.execute(query.where(EVENTS.c.seq > batch[-1].seq)).all()


def _check_event(row: Any, run: _Run) -> Event | None:
    """Check one event and its place in the chain; None where it cannot be used further."""
    run.count += 1
    seq, expected, previous = row.seq, run.count, run.last
    run.last = row.digest
    run.digests.add(row.digest)
    if seq != expected:
        run.problem(f"event {expected} is missing: event {seq} stands in its place")
        run.count = seq if type(seq) is int else expected
    if row.previous != previous:
        run.problem(f"event {seq} does not follow the event before it")
    try:
        event = event_of(row)
        check_body(event.kind, event.body)
    except LabkitError as error:
        run.problem(str(error))
        return None
    return event


def _check_rows(
    connection: Connection, run: _Run, events: list[Event], span: tuple[int, int]
) -> None:
    """Compare the derived rows of some events with what the tables hold, both ways."""
    derived: dict[str, Counter[Any]] = {table.name: Counter() for table in DERIVED}
    for event in events:
        for row in rows_of(event):
            derived[row.table][_key(row.values.items())] += 1
    for table in DERIVED:
        stored = Counter(_rows(connection, _WITHIN[table.name], span))
        _compare(run, table.name, derived[table.name], stored)


def _compare(run: _Run, name: str, derived: Counter[Any], stored: Counter[Any]) -> None:
    for key in derived - stored:
        run.problem(f"{name}: a row of event {_seq(key)} is missing or was changed: {_show(key)}")
    for key in stored - derived:
        run.problem(f"{name}: no event gives the row {_show(key)}")


def _check_strays(connection: Connection, run: _Run) -> None:
    """Look for derived rows outside the span of the events."""
    for table in DERIVED:
        stored = Counter(_rows(connection, _OUTSIDE[table.name], (1, run.count)))
        _compare(run, table.name, Counter(), stored)


def _check_head(connection: Connection, run: _Run) -> None:
    rows = connection.execute(select(HEAD)).all()
    if [tuple(row) for row in rows] != [(1, run.count, run.last)]:
        said = ", ".join(f"{row.event_count} events, digest {row.digest}" for row in rows)
        run.problem(
            f"the head row says {said or 'nothing'}; found were {run.count} events, digest "
            f"{run.last}: the last events were removed, or the head was changed"
        )


def _rows(connection: Connection, query: Select[Any], span: tuple[int, int]) -> list[Any]:
    rows = connection.execute(query, {"low": span[0], "high": span[1]})
    return [_key(row._mapping.items()) for row in rows]


def _key(items: Any) -> tuple[tuple[str, str, Any], ...]:
    """Make a row comparable with its types, so that 1, 1.0 and "1" are three values."""
    return tuple(sorted((name, type(value).__name__, value) for name, value in items))


def _seq(key: tuple[tuple[str, str, Any], ...]) -> object:
    return next(value for name, _, value in key if name == "seq")


def _show(key: tuple[tuple[str, str, Any], ...]) -> str:
    return ", ".join(f"{name} {value!r}" for name, _, value in key)


def require_sound(ledger: Ledger) -> Verification:
    """Verify a ledger before something relies on it.

    Raises:
        LedgerError: Something was found; the sentence names the first of it.
    """
    found = verify(ledger)
    if not found.ok:
        raise LedgerError(
            f"the ledger {ledger.place} does not verify: {found.problems[0]}; nothing was done; "
            "look with `labkit ledger verify`"
        )
    return found
