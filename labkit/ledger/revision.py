"""The form of a ledger's tables: begun, recognised, and made anew from the events.

A revision is a form of the derived tables. The events are the truth and keep their form: a ledger
of any other revision can be looked at, and an earlier one brought up to date, by deriving every row
anew.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from itertools import groupby
from operator import attrgetter

from sqlalchemy import Connection, MetaData, insert, inspect, select, text, update

from labkit import __version__
from labkit.errors import InputError, LedgerError
from labkit.ledger.bodies import check_body
from labkit.ledger.chain import values_of
from labkit.ledger.database import APPLICATION_ID, Database
from labkit.ledger.events import GENESIS, Event
from labkit.ledger.rows import rows_of
from labkit.ledger.tables import DERIVED, EVENTS, FORM, HEAD, METADATA

#: The revision that this program writes, and those that it can look at and upgrade.
REVISION = "0005"
EARLIER = ("0001", "0002", "0003", "0004")
#: The least version of the program that may act on a ledger of this revision.
LEAST_PROGRAM = "1.5.0"
#: What programs that wrote this revision have named there, the first one first.
NAMED = ("1.2.0", "1.3.0", "1.4.0", LEAST_PROGRAM)
#: Derived tables of earlier revisions that are no more.
GONE = ("corrections", "orders", "trial_decisions", "trial_fits")


def begin(connection: Connection) -> None:
    """Make the tables of an empty ledger."""
    METADATA.create_all(connection)
    connection.execute(insert(HEAD), {"id": 1, "event_count": 0, "digest": GENESIS})
    _name_form(connection)


def _name_form(connection: Connection) -> None:
    connection.execute(
        insert(FORM), {"version_num": REVISION, "least_program": LEAST_PROGRAM}
    )


def name_least(connection: Connection) -> None:
    """Name this program's least version where an earlier program began the ledger."""
    connection.execute(
        update(FORM).where(FORM.c.least_program.in_(NAMED[:-1])).values(
            least_program=LEAST_PROGRAM
        )
    )


def least_after(program: str) -> str:
    """Give the least version that a ledger names at least, after a set made by some program.

    >>> least_after("1.2.0+5ee748d0c1aa"), least_after("1.10.0"), least_after("0.1.0")
    ('1.2.0', '1.5.0', '1.2.0')
    """
    return next((one for one in reversed(NAMED) if not is_before(program, one)), NAMED[0])


def derive_anew(connection: Connection, batches: Iterable[list[Event]]) -> None:
    """Put this revision's derived tables in the place of an earlier one's.

    Args:
        connection: One that holds the write lock.
        batches: Every event of the ledger, in order.
    """
    old = {FORM.name, *GONE, *(table.name for table in DERIVED)}
    there = MetaData()
    there.reflect(connection, only=lambda name, _: name in old)
    there.drop_all(connection, [table for name, table in there.tables.items() if name in old])
    METADATA.create_all(connection)
    _name_form(connection)
    for batch in batches:
        insert_rows(connection, batch)


def derived_from(batches: Iterable[list[Event]], place: str) -> Database:
    """Derive the tables from the events of a ledger of another revision, to look at them.

    Returns:
        A database of its own, gone when it is closed.

    Raises:
        InputError: An event has a form that this program does not know.
    """
    made = Database.passing(place)
    with made.writing() as connection:
        begin(connection)
        for batch in batches:
            for event in batch:
                check_body(event.kind, event.body)
            connection.execute(insert(EVENTS), [values_of(event) for event in batch])
            insert_rows(connection, batch)
    return made


def insert_rows(connection: Connection, events: Iterable[Event]) -> None:
    """Append the derived rows of some events, table by table."""
    rows = [row for event in events for row in rows_of(event)]
    order = {table.name: number for number, table in enumerate(DERIVED)}
    rows.sort(key=lambda row: order[row.table])
    for name, group in groupby(rows, key=attrgetter("table")):
        connection.execute(insert(METADATA.tables[name]), [dict(row.values) for row in group])


def found_revision(connection: Connection) -> str | None:
    """Read the revision of a ledger, None where there is none."""
    if not inspect(connection).has_table(FORM.name):
        return None
    found = connection.scalars(select(FORM.c.version_num)).all()
    return ", ".join(map(str, found)) if found else "none"


def require_ledger(database: Database) -> str:
    """Read the revision of what is to be looked at.

    Raises:
        InputError: It is no ledger.
    """
    if database.is_sqlite:
        _need_mark(database)
    with database.reading() as connection:
        found = found_revision(connection)
    if found is None and not database.is_sqlite:
        raise InputError(
            f"there is no ledger in {database.place}; name the lab's ledger with --ledger",
            field="ledger",
        )
    if found is None:
        raise _unknown(database, "no revision")
    return found


def require_known(database: Database) -> str:
    """Read the revision of a ledger that this program may bring up to date.

    Raises:
        InputError: It is no ledger, or a newer program's.
    """
    found = require_ledger(database)
    if found not in (REVISION, *EARLIER):
        raise _unknown(database, f"revision {found}")
    return found


def require_own(database: Database) -> None:
    """Refuse to act on a ledger of an earlier form, or one that needs a newer program.

    Raises:
        InputError: It is no ledger, or a newer program's.
        LedgerError: It can only be looked at.
    """
    found = require_known(database)
    if found != REVISION:
        raise LedgerError(
            f"the ledger {database.place} has the form of revision {found}, this program writes "
            f"revision {REVISION}; nothing was changed; bring it up to date with `labkit ledger "
            "upgrade`, which makes a backup first; it can be looked at as it is",
            field="ledger",
        )
    with database.reading() as connection:
        least = str(connection.execute(select(FORM.c.least_program)).scalar())
    if is_before(__version__, least):
        raise LedgerError(
            f"the ledger {database.place} is written by labkit {least} or later, this is labkit "
            f"{__version__}; nothing was changed; use that version; with this one it can be "
            "looked at",
            field="ledger",
        )


def _unknown(database: Database, what: str) -> InputError:
    return InputError(
        f"the ledger {database.place} has {what}, this program reads "
        f"{', '.join((*EARLIER, REVISION))}; it was written by a newer labkit, or is damaged; "
        "nothing was changed; use that version",
        field="ledger",
    )


def is_before(version: str, other: str) -> bool:
    """Tell whether a version of the program came before another.

    >>> is_before("1.0.0", "1.1.0"), is_before("1.10.0", "1.9.0")
    (True, False)
    """
    return _numbers(version) < _numbers(other)


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", version)[:3])


def _need_mark(database: Database) -> None:
    with database.reading() as connection:
        mark = connection.exec_driver_sql("PRAGMA application_id").scalar()
    if mark != APPLICATION_ID:
        raise InputError(
            f"the file {database.place} is an SQLite database of another program, not a ledger; "
            "nothing was changed; name the lab's ledger with --ledger",
            field="ledger",
        )


def strange_definitions(connection: Connection, revision: str) -> bool:
    """Tell whether the tables and indexes are not those of the revision, or something acts on them.

    Of another revision only what is taken from it counts: the events and the head; nothing may
    hang on them.
    """
    if connection.dialect.name == "postgresql":
        return _strange_on_server(connection, revision)
    expected, found = _expected(), _definitions(connection)
    if revision == REVISION:
        return found != expected
    kept = {EVENTS.name, HEAD.name}
    return _of(kept, found) != _of(kept, expected) or any(d[0] in _ACTING for d in found)


#: Tables of the ledger that are none, or that a trigger, a rule or a row policy acts on.
_ACTED_ON = text("""
    SELECT c.relname FROM pg_class c
    WHERE c.relnamespace = to_regnamespace(current_schema()) AND c.relname = ANY(:names)
      AND (c.relkind <> 'r' OR c.relhasrules OR c.relrowsecurity OR EXISTS (
        SELECT FROM pg_trigger t WHERE t.tgrelid = c.oid AND NOT t.tgisinternal))
""")


def _strange_on_server(connection: Connection, revision: str) -> bool:
    kept = (EVENTS, HEAD, *(DERIVED if revision == REVISION else ()))
    there = inspect(connection).get_multi_columns()
    for table in kept:
        found = [str(column["name"]) for column in there.get((None, table.name), ())]
        if found != table.columns.keys():
            return True
    names = [table.name for table in kept]
    return connection.execute(_ACTED_ON, {"names": names}).first() is not None


_ACTING = ("trigger", "view")
_Definitions = frozenset[tuple[str, ...]]


def _of(tables: set[str], definitions: _Definitions) -> _Definitions:
    return frozenset(each for each in definitions if each[2] in tables)


@cache
def _expected() -> _Definitions:
    """Give the definitions that a fresh SQLite ledger has, as SQLite keeps them."""
    database = Database.passing("a fresh ledger")
    try:
        with database.writing() as connection:
            begin(connection)
            return _definitions(connection)
    finally:
        database.close()


def _definitions(connection: Connection) -> _Definitions:
    rows = connection.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_master")
    return frozenset(tuple(str(part) for part in row) for row in rows)
