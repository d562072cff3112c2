"""The open ledger: one place to write, every entry in one transaction."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from itertools import groupby
from operator import attrgetter
from typing import Any

from sqlalchemy import insert, update

from labkit.errors import LedgerError
from labkit.ledger.chain import values_of
from labkit.ledger.database import WAIT_SECONDS, Database
from labkit.ledger.events import Entry, Event, Kind, digest_of, next_event
from labkit.ledger.forms import check_body
from labkit.ledger.place import is_default, ledger_url
from labkit.ledger.queries import Reader
from labkit.ledger.revision import open_database
from labkit.ledger.rows import rows_of
from labkit.ledger.rules import check_rules
from labkit.ledger.tables import EVENTS, HEAD, METADATA
from labkit.units import as_written


class Ledger(Reader):
    """An open ledger; opened by `open_ledger`, used by one thread.

    Every question of `Reader` can be asked of it.
    """

    @property
    def database(self) -> Database:
        """The database behind it, for verify and backup."""
        return self._database

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Hold the write lock over the block: read, decide and record as one.

        What is recorded in the block is kept when it ends well, and forgotten when it
        raises. Blocks inside the block join it. Other writers wait meanwhile, so nothing
        slow belongs in here.

        Raises:
            LedgerError: Another writer held the lock for too long, or the ledger cannot be
                written.
        """
        with self._database.writing():
            yield

    def record(
        self,
        kind: Kind,
        case: str,
        body: Mapping[str, Any],
        by: str,
        at: datetime.datetime,
        corrects: int | None = None,
    ) -> Event:
        """Record one event at the end of the chain.

        Args:
            body: The rest; `labkit.ledger.forms.FORMS` says what each kind holds. Its numbers are
                kept as they are written.
            at: When, with a time zone.

        Raises:
            InputError: Body, case number, operator code or time are not of the right form.
            LedgerError: It contradicts what is recorded, or cannot be written.
        """
        check_body(kind, body)
        entry = Entry(kind, case, as_written(body), by, at, corrects)
        with self.transaction():
            event = next_event(self.head(), entry)
            check_rules(self, event)
            self.append(event)
        return event

    def append(self, event: Event) -> None:
        """Append a finished event with the rows it gives; `record` and import end here.

        Raises:
            LedgerError: It does not follow the last event, does not match its digest, or
                repeats what must be unique.
        """
        with self._database.writing() as connection:
            head = self.head()
            if event.seq != head.count + 1 or event.previous != head.digest:
                raise LedgerError(
                    f"event {event.seq} does not follow event {head.count}, the last one of the "
                    f"ledger {self.place}; nothing was recorded"
                )
            check_body(event.kind, event.body)
            if event.digest != digest_of(event):
                raise LedgerError(f"event {event.seq} does not match its digest; not recorded")
            connection.execute(insert(EVENTS), values_of(event))
            for name, rows in groupby(rows_of(event), key=attrgetter("table")):
                connection.execute(insert(METADATA.tables[name]), [dict(r.values) for r in rows])
            moved = {"event_count": event.seq, "digest": event.digest}
            connection.execute(update(HEAD).where(HEAD.c.id == 1), moved)


@contextmanager
def open_ledger(
    url: str | None = None, *, create: bool = True, wait_seconds: float = WAIT_SECONDS
) -> Iterator[Ledger]:
    """Open the ledger, begun or migrated where needed.

    Args:
        url: URL, or path of an SQLite file; None for the environment variable LABKIT_LEDGER,
            and failing that the file in the user's data folder.
        create: Whether to begin a new ledger where there is none; False for commands that
            only read, so that a slip in the path does not leave an empty ledger there.

    Yields:
        The ledger.

    Raises:
        InputError: There is no ledger, or what lies there is not one that this program reads.
        LedgerError: It cannot be read or written now.
    """
    database = open_database(
        ledger_url(url), create=create, make_folder=is_default(url), wait_seconds=wait_seconds
    )
    try:
        yield Ledger(database)
    finally:
        database.close()
