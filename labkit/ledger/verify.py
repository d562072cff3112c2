"""Finds any change: the chain computed anew, every row derived anew, the database's own check."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Table, inspect, not_, or_, select

from labkit.errors import LabkitError, LedgerError
from labkit.ledger.bodies import check_body
from labkit.ledger.chain import check_written, event_of
from labkit.ledger.database import BATCH, batched, streamed
from labkit.ledger.events import GENESIS, Event
from labkit.ledger.queries import Reader
from labkit.ledger.revision import REVISION, found_revision, strange_definitions
from labkit.ledger.rows import rows_of
from labkit.ledger.tables import DERIVED, EVENTS, FORM, HEAD
from labkit.ledger.trouble import told

#: Problems named one by one; a ledger with more is not repaired by reading them.
MOST_PROBLEMS = 100


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


def verify(ledger: Reader, head: str | None = None) -> Verification:
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
    """How far the check has come.

    Args:
        columns: Columns of the derived tables that are compared, by table: of another revision
            those that this program derives too.
    """

    columns: dict[str, list[str]] = field(default_factory=dict)
    count: int = 0
    last: str = GENESIS
    digests: set[str] = field(default_factory=lambda: {GENESIS})
    problems: list[str] = field(default_factory=list)
    more: int = 0

    def problem(self, sentence: str) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(sentence)


def _check(ledger: Reader, run: _Run) -> None:
    with ledger.database.reading() as connection:
        revision = found_revision(connection) or ""
        if ledger.database.is_sqlite and not _check_sqlite(connection, run, revision):
            return
        run.columns = _columns(connection, revision)
        for batch in batched(streamed(connection, select(EVENTS).order_by(EVENTS.c.seq)), BATCH):
            events = [event for row in batch if (event := _check_event(row, run)) is not None]
            _check_rows(connection, run, events, (batch[0].seq, batch[-1].seq))
        _check_strays(connection, run)
        _check_head(connection, run)
        if revision == REVISION and len(connection.execute(select(FORM)).all()) != 1:
            run.problem("the revision of the tables is told twice")


def _columns(connection: Connection, revision: str) -> dict[str, list[str]]:
    if revision == REVISION:
        return {table.name: table.columns.keys() for table in DERIVED}
    there = inspect(connection).get_multi_columns()
    return {
        table.name: [column["name"] for column in there[key] if column["name"] in table.columns]
        for table in DERIVED
        for key in [(None, table.name)]
        if key in there
    }


def _check_sqlite(connection: Connection, run: _Run, revision: str) -> bool:
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
    if strange_definitions(connection, revision):
        run.problem("the definitions of tables or indexes are not those of this revision")
    return True


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
        check_written(event)
        check_body(event.kind, event.body)
    except LabkitError as error:
        run.problem(str(error))
        return None
    return event


def _check_rows(
    connection: Connection, run: _Run, events: list[Event], span: tuple[int, int]
) -> None:
    """Compare the derived rows of some events with what the tables hold, both ways."""
    derived: dict[str, Counter[Any]] = {name: Counter() for name in run.columns}
    for event in events:
        for row in rows_of(event):
            if row.table in derived:
                kept = [(name, row.values[name]) for name in run.columns[row.table]]
                derived[row.table][_key(kept)] += 1
    for table in DERIVED:
        if table.name in run.columns:
            stored = _rows(connection, run, table, table.c.seq.between(*span))
            _compare(run, table.name, derived[table.name], stored)


def _compare(run: _Run, name: str, derived: Counter[Any], stored: Counter[Any]) -> None:
    for key in derived - stored:
        run.problem(f"{name}: a row of event {_seq(key)} is missing or was changed: {_show(key)}")
    for key in stored - derived:
        run.problem(f"{name}: no event gives the row {_show(key)}")


def _check_strays(connection: Connection, run: _Run) -> None:
    """Look for derived rows outside the span of the events."""
    for table in DERIVED:
        if table.name in run.columns:
            seq = table.c.seq
            outside = or_(not_(seq.between(1, run.count)), seq.is_(None))
            _compare(run, table.name, Counter(), _rows(connection, run, table, outside))


def _check_head(connection: Connection, run: _Run) -> None:
    rows = connection.execute(select(HEAD)).all()
    if [tuple(row) for row in rows] != [(1, run.count, run.last)]:
        said = ", ".join(f"{row.event_count} events, digest {row.digest}" for row in rows)
        run.problem(
            f"the head row says {said or 'nothing'}; found were {run.count} events, digest "
            f"{run.last}: the last events were removed, or the head was changed"
        )


def _rows(connection: Connection, run: _Run, table: Table, condition: Any) -> Counter[Any]:
    query = select(*(table.c[name] for name in run.columns[table.name])).where(condition)
    return Counter(_key(row._mapping.items()) for row in connection.execute(query))


def _key(items: Any) -> tuple[tuple[str, str, Any], ...]:
    """Make a row comparable with its types, so that 1, 1.0 and "1" are three values."""
    return tuple(sorted((name, type(value).__name__, value) for name, value in items))


def _seq(key: tuple[tuple[str, str, Any], ...]) -> object:
    return next(value for name, _, value in key if name == "seq")


def _show(key: tuple[tuple[str, str, Any], ...]) -> str:
    return ", ".join(f"{name} {value!r}" for name, _, value in key)


def require_sound(ledger: Reader) -> Verification:
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
