"""What a sound ledger is made of, piece by piece: its form, an event, its rows, the head."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, inspect, not_, or_, select

from labkit.errors import LabkitError
from labkit.ledger.bodies import check_body
from labkit.ledger.chain import check_written, event_of
from labkit.ledger.events import GENESIS, Event, Kind
from labkit.ledger.revision import REVISION, is_before, least_after, strange_definitions
from labkit.ledger.rows import Row
from labkit.ledger.tables import DERIVED, FORM, HEAD

#: Problems named one by one; a ledger with more is not repaired by reading them.
MOST_PROBLEMS = 100


@dataclass
class Run:
    """How far the check has come.

    Args:
        columns: Columns of the derived tables that are compared, by table: of another revision
            those that this program derives too.
        first: Digest of the first event, which is the ledger's identity.
        program: Latest version of the program that begun a set.
    """

    columns: dict[str, list[str]] = field(default_factory=dict)
    count: int = 0
    last: str = GENESIS
    first: str = GENESIS
    program: str = "0"
    digests: set[str] = field(default_factory=lambda: {GENESIS})
    problems: list[str] = field(default_factory=list)

    def problem(self, sentence: str) -> None:
        """Keep a sentence about what is not as it was written."""
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(sentence)

    def note_program(self, event: Event) -> None:
        """Keep which program begun a set, where it is later than those seen before."""
        if event.kind is Kind.SET_STARTED:
            told = str(event.body.get("program"))
            self.program = told if is_before(self.program, told) else self.program


def derived_columns(connection: Connection, revision: str) -> dict[str, list[str]]:
    """Name the columns of the derived tables that are there, by table."""
    if revision == REVISION:
        return {table.name: table.columns.keys() for table in DERIVED}
    there = inspect(connection).get_multi_columns()
    return {
        table.name: [column["name"] for column in there[key] if column["name"] in table.columns]
        for table in DERIVED
        for key in [(None, table.name)]
        if key in there
    }


def check_form(connection: Connection, run: Run, revision: str) -> None:
    """Compare the definitions of tables and indexes, and what hangs on them."""
    if strange_definitions(connection, revision):
        run.problem("the definitions of tables or indexes are not those of this revision")
    if revision == REVISION and len(connection.execute(select(FORM)).all()) != 1:
        run.problem("the revision of the tables is there twice")


def check_least(connection: Connection, run: Run, revision: str) -> None:
    """Hold the least version of the program that the form names against the sets of the events.

    Raised it only keeps this program from acting; lowered it would let an earlier one act.
    """
    if revision != REVISION:
        return
    least = least_after(run.program)
    for told in connection.scalars(select(FORM.c.least_program)):
        if is_before(str(told), least):
            run.problem(
                f"it names {told} as the earliest version of labkit that may act on it; a ledger "
                f"of this form, with the sets that it holds, names {least} or a later one"
            )


def check_place(row: Any, run: Run) -> None:
    """Check the place of an event in the chain."""
    run.count += 1
    seq, expected, previous = row.seq, run.count, run.last
    run.last = row.digest
    if expected == 1:
        run.first = row.digest
    run.digests.add(row.digest)
    if seq != expected:
        run.problem(f"event {expected} is missing: event {seq} is in its place")
        run.count = seq if type(seq) is int else expected
    if row.previous != previous:
        run.problem(f"event {seq} does not follow the event before it")


def sound_event(row: Any, run: Run) -> Event | None:
    """Read an event whose digest, writing and form are right; None where one is not."""
    try:
        event = event_of(row)
        check_written(event)
        check_body(event.kind, event.body)
    except LabkitError as error:
        run.problem(str(error))
        return None
    run.note_program(event)
    return event


def check_rows(
    connection: Connection, run: Run, rows: Iterable[Row],
    theirs: Callable[[Table], ColumnElement[bool]],
) -> None:
    """Compare the rows that some events give with what the tables hold, both ways.

    Args:
        theirs: Which rows of a table may be there because of these events alone.
    """
    derived: dict[str, Counter[Any]] = {name: Counter() for name in run.columns}
    for row in rows:
        if row.table in derived:
            kept = [(name, row.values[name]) for name in run.columns[row.table]]
            derived[row.table][_key(kept)] += 1
    for table in DERIVED:
        if table.name in run.columns:
            stored = _rows(connection, run, table, theirs(table))
            _compare(run, table.name, derived[table.name], stored)


def _compare(run: Run, name: str, derived: Counter[Any], stored: Counter[Any]) -> None:
    for key in derived - stored:
        run.problem(f"{name}: a row of event {_seq(key)} is missing or was changed: {_show(key)}")
    for key in stored - derived:
        run.problem(f"{name}: no event gives the row {_show(key)}")


def check_strays(connection: Connection, run: Run) -> None:
    """Look for derived rows outside the span of the events."""
    for table in DERIVED:
        if table.name in run.columns:
            seq = table.c.seq
            outside = or_(not_(seq.between(1, run.count)), seq.is_(None))
            _compare(run, table.name, Counter(), _rows(connection, run, table, outside))


def check_head(connection: Connection, run: Run) -> None:
    """Compare the head row with the events that were seen."""
    rows = connection.execute(select(HEAD)).all()
    if [tuple(row) for row in rows] != [(1, run.count, run.last)]:
        said = ", ".join(f"{row.event_count} events, digest {row.digest}" for row in rows)
        run.problem(
            f"the head row says {said or 'nothing'}; found were {run.count} events, digest "
            f"{run.last}: the last events were removed, or the head was changed"
        )


def _rows(
    connection: Connection, run: Run, table: Table, condition: ColumnElement[bool]
) -> Counter[Any]:
    query = select(*(table.c[name] for name in run.columns[table.name])).where(condition)
    return Counter(_key(row._mapping.items()) for row in connection.execute(query))


def _key(items: Any) -> tuple[tuple[str, str, Any], ...]:
    """Make a row comparable with its types, so that 1, 1.0 and "1" are three values."""
    return tuple(sorted((name, type(value).__name__, value) for name, value in items))


def _seq(key: tuple[tuple[str, str, Any], ...]) -> object:
    return next(value for name, _, value in key if name == "seq")


def _show(key: tuple[tuple[str, str, Any], ...]) -> str:
    return ", ".join(f"{name} {value!r}" for name, _, value in key)
