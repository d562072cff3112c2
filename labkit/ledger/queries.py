"""Reading the ledger: cases, their stories, sets, rods and readings."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import cached_property
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Connection, Select, func, select

from labkit.core.case.identifier import parse_identifier
from labkit.errors import LedgerError
from labkit.ledger.bodies import SetStarted, said
from labkit.ledger.case_list import summaries
from labkit.ledger.chain import event_of
from labkit.ledger.database import BATCH, Database, batched, streamed
from labkit.ledger.events import Event, Head, Kind
from labkit.ledger.revision import REVISION, derived_from, found_revision
from labkit.ledger.rods import rods_where, standing
from labkit.ledger.stored import (
    CaseSummary,
    LastReading,
    StoredPrescription,
    StoredReading,
    StoredRod,
    StoredSet,
)
from labkit.ledger.tables import (
    CASES,
    EVENTS,
    HEAD,
    PRESCRIPTIONS,
    READINGS,
    RODS,
    SET_ENDS,
    SETS,
)

#: Cases that are asked for at once.
AHEAD = 250
T = TypeVar("T")


class Reader:
    """Everything that can be asked of an open ledger."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._known: dict[object, Any] | None = None

    @property
    def database(self) -> Database:
        """The database behind it, for verify and backup."""
        return self._database

    @property
    def place(self) -> str:
        """The ledger as named for people: its path, or its URL without the password."""
        return self._database.place

    @cached_property
    def _tables(self) -> Database:
        """The derived tables in this program's form: its own, or derived anew from the events."""
        with self._database.reading() as connection:
            if found_revision(connection) == REVISION:
                return self._database
            return derived_from(batched(self.events(), BATCH), self.place)

    def close(self) -> None:
        """Give up what was derived; the database itself stays open."""
        rows = self.__dict__.pop("_tables", self._database)
        if rows is not self._database:
            rows.close()

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See one unchanging state of the ledger in all questions of the block.

        The same question is then asked of the database once.
        """
        with self._database.reading():
            outer = self._known
            self._known = {} if outer is None and not self._database.is_writing else outer
            try:
                yield
            finally:
                self._known = outer

    def _once(self, key: object, ask: Callable[[], T]) -> T:
        if self._known is None:
            return ask()
        if key not in self._known:
            self._known[key] = ask()
        found: T = self._known[key]
        return found

    def cases_ahead(
        self, cases: Iterable[str],
        kinds: Collection[Kind] = (Kind.PAPERS_PRINTED, Kind.RELEASE, Kind.USE_AS_IS),
    ) -> Iterator[str]:
        """Give cases one by one, each in a snapshot that knows its prescriptions, sets and rods.

        They, and events of some kinds, are asked for many cases at once, which costs less.
        """
        for some in batched(cases, AHEAD):
            with self.snapshot():
                # What cannot be read is said where its own case is asked for.
                with suppress(LedgerError):
                    self._ask_at_once(some, kinds)
                yield from some

    def _ask_at_once(self, cases: list[str], kinds: Collection[Kind]) -> None:
        """Ask what every look at a case asks, of all of them."""
        known = self._known
        if known is None:
            return
        lasts = select(func.max(EVENTS.c.seq)).group_by(EVENTS.c.case_number)
        answers: Iterable[tuple[tuple[object, ...], Callable[[], Iterable[Any]]]] = (
            (("prescriptions",), lambda: map(StoredPrescription.of, self._events(
                _prescribed(PRESCRIPTIONS.c.case_number.in_(cases))))),
            (("sets",), lambda: self._sets(SETS.c.case_number.in_(cases))),
            (("rods",), lambda: self._rods(RODS.c.case_number.in_(cases))),
            *((("current", kind), lambda kind=kind: self._events(
                _current(EVENTS.c.case_number.in_(cases), kind)))
              for kind in kinds),
            (("last",), lambda: self._events(select(EVENTS).where(EVENTS.c.seq.in_(
                lasts.where(EVENTS.c.case_number.in_(cases)))))),
        )
        for key, ask in answers:
            found: dict[str, list[Any]] = {case: [] for case in cases}
            for one in ask():
                found[one.case].append(one)
            known |= {(*key, case): tuple(of_case) for case, of_case in found.items()}

    def head(self) -> Head:
        """Tell where the chain ends."""
        with self._database.reading() as connection:
            rows = connection.execute(select(HEAD)).all()
        if len(rows) != 1 or type(rows[0].event_count) is not int:
            raise LedgerError(
                f"the ledger {self.place} is damaged: its head row is not there; check it with "
                "`labkit ledger verify`"
            )
        return Head(rows[0].event_count, rows[0].digest)

    def event(self, seq: int) -> Event | None:
        """Read one event by its number, None where there is none."""
        found = self._events(select(EVENTS).where(EVENTS.c.seq == seq))
        return found[0] if found else None

    def events(self) -> Iterator[Event]:
        """Give all events in the order of their numbers.

        Raises:
            LedgerError: One is missing or was changed.
        """
        last = 0
        with self._database.reading() as connection:
            for row in streamed(connection, select(EVENTS).order_by(EVENTS.c.seq)):
                event = event_of(row)
                if event.seq != last + 1:
                    raise LedgerError(
                        f"event {last} is followed by {event.seq}: damaged; check it with "
                        "`labkit ledger verify`"
                    )
                yield event
                last = event.seq

    def story(self, case: str) -> tuple[Event, ...]:
        """Tell the whole story of a case.

        Returns:
            Its events in the order in which they were recorded; empty for an unknown case.
        """
        query = select(EVENTS).where(EVENTS.c.case_number == case).order_by(EVENTS.c.seq)
        return self._once(("story", case), lambda: self._events(query))

    def current(self, case: str, kind: Kind) -> tuple[Event, ...]:
        """Give a case's events of one kind that nothing has corrected, in time order."""
        return self._once(("current", kind, case), lambda: self._events(
            _current(EVENTS.c.case_number == case, kind)))

    def last(self, case: str) -> Event:
        """Give the last event of a case that there is."""
        return self._once(("last", case), lambda: self._events(
            select(EVENTS).where(EVENTS.c.case_number == case)
            .order_by(EVENTS.c.seq.desc()).limit(1)))[0]

    def corrected(self, case: str) -> dict[int, int]:
        """Tell which events of a case were corrected: number → number of the correction."""
        query = select(EVENTS.c.corrects, EVENTS.c.seq).where(
            EVENTS.c.case_number == case, EVENTS.c.corrects.is_not(None)
        )
        with self._database.reading() as connection:
            return {corrected: seq for corrected, seq in connection.execute(query)}

    def has_case(self, case: str) -> bool:
        """Tell whether a case was opened."""
        with self._tables.reading() as connection:
            query = select(CASES.c.seq).where(CASES.c.case_number == case)
            return connection.execute(query).first() is not None

    def cases(self) -> tuple[CaseSummary, ...]:
        """List all cases, the one opened first at the top."""
        with self._tables.reading() as connection:
            return tuple(summaries(connection))

    def ask(self, question: Callable[[Connection], T]) -> T:
        """Ask a question of the derived tables as a whole."""
        with self._tables.reading() as connection:
            return question(connection)

    def prescriptions(self, case: str) -> tuple[StoredPrescription, ...]:
        """Give every revision of a case's prescription, the first one first."""
        return self._once(("prescriptions", case), lambda: tuple(map(
            StoredPrescription.of,
            self._events(_prescribed(PRESCRIPTIONS.c.case_number == case)),
        )))

    def prescriptions_with(self, word: str) -> tuple[StoredPrescription, ...]:
        """Give every revision of every case whose text has a word in it."""
        wanted = EVENTS.c.body.contains(word, autoescape=True)
        query = select(EVENTS).where(EVENTS.c.kind == str(Kind.PRESCRIPTION), wanted)
        return tuple(map(StoredPrescription.of, self._events(query.order_by(EVENTS.c.seq))))

    def prescription(self, case: str, revision: int | None = None) -> StoredPrescription:
        """Give one revision of a case's prescription.

        Args:
            revision: Which; None for the last.

        Returns:
            The revision with its whole text.

        Raises:
            LedgerError: The case or the revision is not in the ledger.
        """
        found = self.prescriptions(case)
        wanted = [p for p in found if revision is None or p.revision == revision]
        if wanted:
            return wanted[-1]
        which = "a prescription" if revision is None else f"revision {revision}"
        raise LedgerError(
            f"the ledger has no {which.removeprefix('a ')} of case {case!r}; "
            f"it has {len(found)} of them; list the cases with `labkit cases`",
            field="case", value=case,
        )

    def sets(self, case: str) -> tuple[StoredSet, ...]:
        """Give the sets of a case with prescription, template, process and spec as they were."""
        return self._once(("sets", case), lambda: self._sets(SETS.c.case_number == case))

    def set_named(self, name: str) -> StoredSet | None:
        """Find a set by its name, None where there is none."""
        found = self._sets(SETS.c.set_name == name)
        return found[0] if found else None

    def rods(self, case: str) -> tuple[StoredRod, ...]:
        """Give the rods of a case with their states, also abandoned ones."""
        return self._once(("rods", case), lambda: self._rods(RODS.c.case_number == case))

    def rods_of_set(self, name: str) -> tuple[StoredRod, ...]:
        """Give the rods of a set with their states."""
        return self._rods(RODS.c.set_name == name)

    def find(self, identifier: str) -> StoredRod | None:
        """Find a rod by its identifier.

        Args:
            identifier: As typed or scanned; spaces and hyphens do not matter.

        Returns:
            The rod with its state, None where the ledger does not know it.

        Raises:
            InputError: It is not a rod identifier.
        """
        found = self._rods(RODS.c.identifier == parse_identifier(identifier))
        return found[0] if found else None

    def is_used(self, identifier: str) -> bool:
        """Tell whether an identifier was ever reserved, also for a set that was abandoned."""
        return bool(self.used_among([identifier]))

    def used_among(self, identifiers: Iterable[str]) -> frozenset[str]:
        """Tell which of some identifiers were ever reserved, also for an abandoned set."""
        with self._tables.reading() as connection:
            return frozenset(
                used for some in batched(sorted(set(identifiers)), BATCH)
                for used in connection.scalars(
                    select(RODS.c.identifier).where(RODS.c.identifier.in_(some))
                )
            )

    def readings(self, identifier: str) -> tuple[StoredReading, ...]:
        """Give the readings of a rod that nothing has corrected, in time order."""
        query = (
            select(EVENTS)
            .join(READINGS, READINGS.c.seq == EVENTS.c.seq)
            .where(READINGS.c.identifier == parse_identifier(identifier))
            .where(standing(READINGS.c.seq))
            .order_by(EVENTS.c.seq)
        )
        return tuple(map(StoredReading.of, self._events(query)))

    def last_readings(self, process: str | None = None) -> Iterator[LastReading]:
        """Give the last reading of every measured rod that nothing has corrected.

        Args:
            process: Only of sets made with a process of this name, and the newest set first.

        Yields:
            By set, in the order in which they were begun; within a set by step and side.
        """
        query = (
            select(
                *EVENTS.c, RODS.c.set_name, RODS.c.side, SETS.c.template_name,
                SETS.c.process_name, SETS.c.process_sha256,
            )
            .join(READINGS, READINGS.c.seq == EVENTS.c.seq)
            .join(RODS, RODS.c.identifier == READINGS.c.identifier)
            .join(SETS, SETS.c.set_name == RODS.c.set_name)
            .where(standing(READINGS.c.seq))
            # Of the readings of one rod, the last is the first here.
            .order_by(
                SETS.c.seq if process is None else SETS.c.seq.desc(),
                RODS.c.step, RODS.c.side, READINGS.c.seq.desc(),
            )
        )
        if process is not None:
            query = query.where(SETS.c.process_name == process)
        rod = ""
        with self._tables.reading() as connection:
            for *event, name, side, template, process_name, sha256 in streamed(connection, query):
                reading = StoredReading.of(event_of(event))
                if not reading.only_seen and reading.identifier != rod:
                    rod, case = reading.identifier, event[4]
                    yield LastReading(case, name, side, template, process_name, sha256, reading)

    def process(self, sha256: str) -> dict[str, Any]:
        """Give a process that sets were made with, by its content hash."""
        query = (
            select(EVENTS)
            .join(SETS, SETS.c.seq == EVENTS.c.seq)
            .where(SETS.c.process_sha256 == sha256)
            .order_by(EVENTS.c.seq)
            .limit(1)
        )
        return said(self._events(query)[0], SetStarted).process

    def _events(self, query: Select[Any]) -> tuple[Event, ...]:
        with self._tables.reading() as connection:
            return tuple(map(event_of, connection.execute(query)))

    def _rods(self, condition: ColumnElement[bool]) -> tuple[StoredRod, ...]:
        with self._tables.reading() as connection:
            return rods_where(connection, condition)

    def _sets(self, condition: ColumnElement[bool]) -> tuple[StoredSet, ...]:
        end = EVENTS.alias("end")
        query = (
            select(*EVENTS.c, *end.c, SETS.c.seq, SET_ENDS.c.seq)
            .select_from(SETS)
            .outerjoin(EVENTS, EVENTS.c.seq == SETS.c.seq)
            .outerjoin(SET_ENDS, SET_ENDS.c.set_name == SETS.c.set_name)
            .outerjoin(end, end.c.seq == SET_ENDS.c.seq)
            .where(condition)
            .order_by(SETS.c.seq)
        )
        half = len(EVENTS.c)
        with self._tables.reading() as connection:
            rows = connection.execute(query).all()
            return tuple(self._set(row[:half], row[half:-2], row[-2:]) for row in rows)

    def _set(self, begun_row: Any, end_row: Any, seqs: Any) -> StoredSet:
        for row, seq in zip((begun_row, end_row), seqs, strict=True):
            if row[0] is None and seq is not None:
                raise LedgerError(f"event {seq} is missing; check it with `labkit ledger verify`")
        begun = event_of(begun_row)
        end = None if end_row[0] is None else event_of(end_row)
        revision = said(begun, SetStarted).revision
        return StoredSet(begun, end, self.prescription(begun.case, revision))


def _prescribed(condition: ColumnElement[bool]) -> Select[Any]:
    return (
        select(EVENTS)
        .join(PRESCRIPTIONS, PRESCRIPTIONS.c.seq == EVENTS.c.seq)
        .where(condition)
        .order_by(PRESCRIPTIONS.c.revision)
    )


def _current(condition: ColumnElement[bool], kind: Kind) -> Select[Any]:
    return (
        select(EVENTS)
        .where(condition, EVENTS.c.kind == str(kind), standing(EVENTS.c.seq))
        .order_by(EVENTS.c.seq)
    )
