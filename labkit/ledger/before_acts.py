"""What is looked at before a ledger is written: an act on a broken record would vouch for it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, func, or_, select

from labkit.errors import LabkitError, LedgerError
from labkit.ledger.chain import event_of
from labkit.ledger.checks import (
    Run,
    check_form,
    check_head,
    check_least,
    check_place,
    check_rows,
    derived_columns,
)
from labkit.ledger.database import streamed
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.revision import found_revision
from labkit.ledger.rows import rows_of
from labkit.ledger.tables import EVENTS
from labkit.ledger.trouble import told

#: Acts that a rod leaves the house by, or that change what every rod of a case means: before them
#: every event of the ledger is read, not only the case's.
RELIED_ON = frozenset({
    Kind.RELEASE, Kind.TRIAL_ACCEPTED, Kind.TRIAL_WITHDRAWN, Kind.USE_AS_IS,
})


def look_at_case(reader: Reader, case: str, *, whole_chain: bool) -> None:
    """Refuse to go on where the ledger is not as it was written.

    Looked at are the head, the definitions of the tables, and every event and row of the case.

    Args:
        whole_chain: Whether the digest and the place of every other event are looked at too.

    Raises:
        LedgerError: Something is not as it was written; the sentence names the first of it.
    """
    run = Run()
    try:
        with reader.snapshot(), told(reader.place), reader.database.reading() as connection:
            revision = found_revision(connection) or ""
            run.columns = derived_columns(connection, revision)
            check_form(connection, run, revision)
            if whole_chain:
                _check_chain(connection, run)
            else:
                _check_end(connection, run)
            check_head(connection, run)
            _check_case(connection, run, case)
            check_least(connection, run, revision)
    except LabkitError as error:
        run.problem(str(error))
    if run.problems:
        raise LedgerError(
            f"the record in {reader.place} is not as it was written: {run.problems[0]}; nothing "
            "was done, and nothing is recorded until it is put right; see all of it with `labkit "
            "ledger verify`, keep the file as it is, and make a new ledger from the last sound "
            "backup with `labkit ledger restore`",
            field="ledger",
        )


def _check_chain(connection: Connection, run: Run) -> None:
    for row in streamed(connection, select(EVENTS).order_by(EVENTS.c.seq)):
        check_place(row, run)
        try:
            run.note_program(event_of(row))
        except LabkitError as error:  # read on: a stream that is left is not closed
            run.problem(str(error))


def _check_end(connection: Connection, run: Run) -> None:
    """Count the events and read the last one, in place of the whole chain."""
    run.count = connection.execute(select(func.count()).select_from(EVENTS)).scalar_one()
    last = connection.execute(select(EVENTS).order_by(EVENTS.c.seq.desc()).limit(1)).first()
    if last is not None:
        run.last = event_of(last).digest
        if last.seq != run.count:
            run.problem(f"{run.count} events are there, and the last one is event {last.seq}")


def _check_case(connection: Connection, run: Run, case: str) -> None:
    query = select(EVENTS).where(EVENTS.c.case_number == case)
    events = [event_of(row) for row in connection.execute(query)]
    for event in events:
        run.note_program(event)
    rows = [row for event in events for row in rows_of(event)]
    known: dict[str, list[Any]] = {
        "seq": [event.seq for event in events], "case_number": [case],
        **{name: list({row.values[name]: None for row in rows if row.values.get(name)})
           for name in ("set_name", "identifier")},
    }

    def theirs(table: Table) -> ColumnElement[bool]:
        """Choose the rows that come from the case's events, or name what is the case's."""
        return or_(*(table.c[name].in_(known[name]) for name in known
                     if name in run.columns[table.name]))

    check_rows(connection, run, rows, theirs)
