"""The open ledger: one place to write, every entry in one transaction."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from typing import Any

from sqlalchemy import insert, update

from labkit.done import tell_done
from labkit.errors import LedgerError
from labkit.ledger.before_acts import RELIED_ON, look_at_case
from labkit.ledger.bodies import KINDS, body_of, check_body
from labkit.ledger.chain import values_of
from labkit.ledger.database import BATCH, WAIT_SECONDS, batched
from labkit.ledger.events import Entry, Event, Head, Kind, digest_of, next_event, utc_text
from labkit.ledger.moments import moment_after
from labkit.ledger.opening import open_to_act, open_to_look
from labkit.ledger.place import is_default, ledger_url
from labkit.ledger.queries import Reader
from labkit.ledger.revision import insert_rows, name_least
from labkit.ledger.rules import check_rules
from labkit.ledger.tables import EVENTS, HEAD
from labkit.units import as_written


class Ledger(Reader):
    """An open ledger; opened by `open_ledger`, used by one thread.

    Every question of `Reader` can be asked of it.
    """

    #: Number of the first event that the transaction at work has appended.
    _first_new: int | None = None
    #: Cases that the transaction at work has looked at, and whether with the whole chain.
    _looked_at: set[tuple[str, bool]]

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
        if self._database.is_writing:
            yield
            return
        self._first_new, self._looked_at = None, set()
        with self._database.writing():
            yield
            last = self.head().count
        if self._first_new is not None:
            first = self._first_new
            tell_done(
                f"entry {last} was recorded in {self.place}" if first == last
                else f"entries {first} to {last} were recorded in {self.place}"
            )

    def write(
        self, case: str, what: object, by: str, at: datetime.datetime, corrects: int | None = None
    ) -> Event:
        """Record one event, given as the value that its kind has in `labkit.ledger.bodies`.

        Raises:
            InputError, LedgerError: As `record`.
        """
        return self.record(KINDS[type(what)], case, body_of(what), by, at, corrects)

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
            body: The rest; `labkit.ledger.bodies` says what each kind holds. Its numbers are
                kept as they are written.
            at: When, with a time zone.

        Raises:
            InputError: Body, case number, operator code or time are not of the right form.
            LedgerError: It contradicts what is recorded, what is recorded is not as it was
                written, or it cannot be written.
        """
        check_body(kind, body)
        utc_text(at)  # a moment without a time zone is none
        with self.transaction():
            self.look_before(kind, case)
            head = self.head()
            last = self.event(head.count)
            moment = moment_after(last.at if last else None, at)
            event = next_event(head, Entry(kind, case, as_written(body), by, moment, corrects))
            check_rules(self, event)
            self.append([event])
        return event

    def look_before(self, kind: Kind, case: str) -> None:
        """Refuse to record where what is recorded is not as it was written; once a transaction.

        Raises:
            LedgerError: It is not.
        """
        whole = kind in RELIED_ON
        if {(case, True), (case, whole)} & self._looked_at:
            return
        look_at_case(self, case, whole_chain=whole)
        self._looked_at.add((case, whole))

    def append(self, events: Iterable[Event], *, known: bool = False) -> None:
        """Append finished events with the rows they give; `record` and import end here.

        Args:
            known: Whether they are those of another ledger, in order, and what is written is
                verified afterwards.

        Raises:
            LedgerError: One does not follow the last event, does not match its digest, or
                repeats what must be unique.
        """
        with self.transaction(), self._database.writing() as connection:
            head = self.head()
            self._first_new = self._first_new or head.count + 1
            following = events if known else self._following(head, events)
            for batch in batched(following, BATCH):
                connection.execute(insert(EVENTS), [values_of(event) for event in batch])
                insert_rows(connection, batch)
                head = Head(batch[-1].seq, batch[-1].digest)
            moved = {"event_count": head.count, "digest": head.digest}
            connection.execute(update(HEAD).where(HEAD.c.id == 1), moved)
            name_least(connection)

    def _following(self, head: Head, events: Iterable[Event]) -> Iterator[Event]:
        for event in events:
            self.require_next(event, head)
            yield event
            head = Head(event.seq, event.digest)

    def require_next(self, event: Event, head: Head | None = None) -> None:
        """Refuse an event that is not the next one of a chain, or has no right form.

        Args:
            head: Where the chain ends; None for this ledger's.

        Raises:
            InputError: Its body is not of the right form.
            LedgerError: It does not follow, or does not match its digest.
        """
        head = head or self.head()
        if event.seq != head.count + 1 or event.previous != head.digest:
            raise LedgerError(
                f"event {event.seq} does not follow event {head.count}, the last one of the "
                f"ledger {self.place}; nothing was recorded"
            )
        check_body(event.kind, event.body)
        if event.digest != digest_of(event):
            raise LedgerError(f"event {event.seq} does not match its digest; not recorded")


@contextmanager
def look_into(url: str | None = None) -> Iterator[Reader]:
    """Open the ledger to look: of any revision, and so that nothing is changed.

    Args:
        url: URL, or path of an SQLite file; None for the environment variable LABKIT_LEDGER,
            and failing that the file in the user's data folder.

    Yields:
        Everything that can be asked of it.

    Raises:
        InputError: There is no ledger.
        LedgerError: It cannot be read now.
    """
    database = open_to_look(ledger_url(url))
    try:
        with closing(Reader(database)) as reader:
            try:
                yield reader
            except LedgerError:
                database.check_unchanged()  # a file half written looks like a damaged one
                raise
        database.check_unchanged()
    finally:
        database.close()


@contextmanager
def open_ledger(
    url: str | None = None, *, create: bool = True, wait_seconds: float = WAIT_SECONDS
) -> Iterator[Ledger]:
    """Open the ledger to act on it, begun where needed.

    Args:
        url: As for `look_into`.
        create: Whether to begin a new ledger where there is none; False where an empty one is of
            no use, so that a slip in the path does not leave one there.

    Raises:
        InputError: There is no ledger, or what lies there is not one that this program writes.
        LedgerError: It cannot be read or written now, or has to be upgraded first.
    """
    database = open_to_act(
        ledger_url(url), wait_seconds, create=create, make_folder=is_default(url)
    )
    try:
        yield Ledger(database)
    finally:
        database.close()


@contextmanager
def to_record(url: str | None, by: str | None) -> Iterator[Reader]:
    """Open the ledger to act on it where an operator is named, else to look.

    Yields:
        A `Ledger` where an operator is named.
    """
    with open_ledger(url, create=False) if by else look_into(url) as opened:
        yield opened
