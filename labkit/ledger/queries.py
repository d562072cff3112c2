"""Reading the ledger: cases, their stories, sets, rods and readings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, func, select

from labkit.core.case.identifier import parse_identifier
from labkit.errors import LedgerError
from labkit.ledger.by_process import sets_made_with
from labkit.ledger.chain import event_of
from labkit.ledger.database import Database
from labkit.ledger.events import Event, Head, Kind, canonical_json
from labkit.ledger.rod_states import rods_where
from labkit.ledger.rows import content_sha256
from labkit.ledger.stored import (
    CaseSummary,
    SetState,
    Stamp,
    StoredContent,
    StoredPrescription,
    StoredReading,
    StoredRod,
    StoredSet,
)
from labkit.ledger.tables import (
    CASES,
    CORRECTIONS,
    EVENTS,
    HEAD,
    PRESCRIPTIONS,
    READINGS,
    RODS,
    SET_ENDS,
    SETS,
)

#: Events read at a time.
BATCH = 500


class Reader:
    """Everything that can be asked of an open ledger."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @property
    def place(self) -> str:
        """The ledger as named for people: its path, or its URL without the password."""
        return self._database.place

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See one unchanging state of the ledger in all questions of the block."""
        with self._database.reading():
            yield

    def head(self) -> Head:
        """Tell where the chain ends."""
        with self._database.reading() as connection:
            return _head(connection, self.place)

    def event(self, seq: int) -> Event | None:
        """Read one event by its number, None where there is none."""
        with self._database.reading() as connection:
            row = connection.execute(select(EVENTS).where(EVENTS.c.seq == seq)).one_or_none()
            return None if row is None else event_of(row)

    def events(self) -> Iterator[Event]:
        """Give all events in the order of their numbers; best inside `snapshot`."""
        last = 0
        while True:
            query = select(EVENTS).where(EVENTS.c.seq > last).order_by(EVENTS.c.seq).limit(BATCH)
            with self._database.reading() as connection:
                batch = [event_of(row) for row in connection.execute(query)]
            if not batch:
                return
            if batch[0].seq <= last:
                raise LedgerError(f"event {last} is followed by {batch[0].seq}: damaged")
            yield from batch
            last = batch[-1].seq

    def story(self, case: str) -> tuple[Event, ...]:
        """Tell the whole story of a case.

        Returns:
            Its events in the order in which they were recorded; empty for an unknown case.
        """
        query = select(EVENTS).where(EVENTS.c.case_number == case).order_by(EVENTS.c.seq)
        with self._database.reading() as connection:
            return tuple(event_of(row) for row in connection.execute(query))

    def corrected(self, case: str) -> dict[int, int]:
        """Tell which events of a case were corrected: number → number of the correction."""
        return {e.corrects: e.seq for e in self.story(case) if e.corrects is not None}

    def has_case(self, case: str) -> bool:
        """Tell whether a case was opened."""
        with self._database.reading() as connection:
            return _exists(connection, CASES.c.case_number == case)

    def cases(self) -> tuple[CaseSummary, ...]:
        """List all cases, the one opened first at the top."""
        with self._database.reading() as connection:
            return _cases(connection)

    def prescriptions(self, case: str) -> tuple[StoredPrescription, ...]:
        """Give every revision of a case's prescription, the first one first."""
        query = (
            select(EVENTS, PRESCRIPTIONS.c.text_sha256)
            .join(PRESCRIPTIONS, PRESCRIPTIONS.c.seq == EVENTS.c.seq)
            .where(PRESCRIPTIONS.c.case_number == case)
            .order_by(PRESCRIPTIONS.c.revision)
        )
        with self._database.reading() as connection:
            return tuple(
                _prescription(event_of(row), row.text_sha256) for row in connection.execute(query)
            )

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
            field="case",
            value=case,
        )

    def sets(self, case: str) -> tuple[StoredSet, ...]:
        """Give the sets of a case with prescription, template, process and spec as they were."""
        return self._sets(SETS.c.case_number == case)

    def set_named(self, name: str) -> StoredSet | None:
        """Find a set by its name, None where there is none."""
        found = self._sets(SETS.c.set_name == name)
        return found[0] if found else None

    def started_sets(self) -> tuple[StoredSet, ...]:
        """Give the sets that were started and neither made nor abandoned."""
        return self._sets(SETS.c.set_name.not_in(select(SET_ENDS.c.set_name)))

    def made_sets(self) -> tuple[StoredSet, ...]:
        """Give the sets that were made."""
        made = select(SET_ENDS.c.set_name).where(SET_ENDS.c.outcome == str(SetState.MADE))
        return self._sets(SETS.c.set_name.in_(made))

    def made_with(self, process: str) -> tuple[str, ...]:
        """Name the sets made with a process of this name, the newest first."""
        with self._database.reading() as connection:
            return sets_made_with(connection, process)

    def rods(self, case: str) -> tuple[StoredRod, ...]:
        """Give the rods of a case with their states, also abandoned ones."""
        with self._database.reading() as connection:
            return rods_where(connection, RODS.c.case_number == case)

    def rods_of_set(self, name: str) -> tuple[StoredRod, ...]:
        """Give the rods of a set with their states."""
        with self._database.reading() as connection:
            return rods_where(connection, RODS.c.set_name == name)

    def find(self, identifier: str) -> StoredRod | None:
        """Find a rod by its identifier.

        Args:
            identifier: As typed or scanned; spaces and hyphens do not matter.

        Returns:
            The rod with its state, None where the ledger does not know it.

        Raises:
            InputError: It is not a rod identifier.
        """
        digits = parse_identifier(identifier)
        with self._database.reading() as connection:
            found = rods_where(connection, RODS.c.identifier == digits)
        return found[0] if found else None

    def is_used(self, identifier: str) -> bool:
        """Tell whether an identifier was ever reserved, also for a set that was abandoned."""
        return bool(self.used_among([identifier]))

    def used_among(self, identifiers: Iterable[str]) -> frozenset[str]:
        """Tell which of some identifiers were ever reserved, also for an abandoned set."""
        asked = sorted(set(identifiers))
        used: set[str] = set()
        with self._database.reading() as connection:
            for at in range(0, len(asked), BATCH):
                part = RODS.c.identifier.in_(asked[at : at + BATCH])
                used.update(connection.scalars(select(RODS.c.identifier).where(part)))
        return frozenset(used)

    def readings(self, identifier: str) -> tuple[StoredReading, ...]:
        """Give the readings of a rod that nothing has corrected, in time order."""
        query = (
            select(EVENTS)
            .join(READINGS, READINGS.c.seq == EVENTS.c.seq)
            .where(READINGS.c.identifier == parse_identifier(identifier))
            .where(READINGS.c.seq.not_in(select(CORRECTIONS.c.corrects)))
            .order_by(EVENTS.c.seq)
        )
        with self._database.reading() as connection:
            return tuple(_reading(event_of(row)) for row in connection.execute(query))

    def current(self, case: str, kind: Kind) -> tuple[Event, ...]:
        """Give a case's events of one kind that nothing has corrected, in time order."""
        story = self.story(case)
        corrected = {e.corrects for e in story}
        return tuple(e for e in story if e.kind is kind and e.seq not in corrected)

    def _sets(self, condition: Any) -> tuple[StoredSet, ...]:
        query = (
            select(SETS.c.set_name, SETS.c.seq, SET_ENDS.c.seq.label("end"))
            .outerjoin(SET_ENDS, SET_ENDS.c.set_name == SETS.c.set_name)
            .where(condition)
            .order_by(SETS.c.seq)
        )
        with self._database.reading() as connection:
            rows = connection.execute(query).all()
            return tuple(self._set(row.seq, row.end) for row in rows)

    def _set(self, start: int, end: int | None) -> StoredSet:
        started = self._must_have(start)
        ended = None if end is None else self._must_have(end)
        prescription = self.prescription(started.case, started.body["revision"])
        return _stored_set(started, ended, prescription)

    def _must_have(self, seq: int) -> Event:
        event = self.event(seq)
        if event is None:
            raise LedgerError(f"event {seq} is missing; look with `labkit ledger verify`")
        return event


def _head(connection: Connection, place: str) -> Head:
    rows = connection.execute(select(HEAD)).all()
    if len(rows) != 1 or type(rows[0].event_count) is not int:
        raise LedgerError(
            f"the ledger {place} is damaged: its head row is not there; look with "
            "`labkit ledger verify`"
        )
    return Head(rows[0].event_count, rows[0].digest)


def _exists(connection: Connection, condition: Any) -> bool:
    return connection.execute(select(1).where(condition)).first() is not None


def _cases(connection: Connection) -> tuple[CaseSummary, ...]:
    revisions = _by_case(
        connection,
        select(PRESCRIPTIONS.c.case_number, func.max(PRESCRIPTIONS.c.revision)).group_by(
            PRESCRIPTIONS.c.case_number
        ),
    )
    made = SET_ENDS.c.outcome == str(SetState.MADE)
    sets = _by_case(
        connection,
        select(SETS.c.case_number, func.count())
        .join(SET_ENDS, SET_ENDS.c.set_name == SETS.c.set_name)
        .where(made)
        .group_by(SETS.c.case_number),
    )
    rods = _by_case(
        connection,
        select(RODS.c.case_number, func.count())
        .join(SET_ENDS, SET_ENDS.c.set_name == RODS.c.set_name)
        .where(made)
        .group_by(RODS.c.case_number),
    )
    first, last = EVENTS.alias(), EVENTS.alias()
    ends = (
        select(EVENTS.c.case_number, func.max(EVENTS.c.seq).label("seq"))
        .group_by(EVENTS.c.case_number)
        .subquery()
    )
    query = (
        select(
            CASES.c.case_number, first.c.seq, first.c.at, first.c.operator,
            last.c.seq, last.c.at, last.c.operator, last.c.kind,
        )
        .join(first, first.c.seq == CASES.c.seq)
        .join(ends, ends.c.case_number == CASES.c.case_number)
        .join(last, last.c.seq == ends.c.seq)
        .order_by(CASES.c.seq)
    )  # fmt: skip
    return tuple(
        CaseSummary(
            case=case,
            opened=Stamp(opened_seq, opened_at, opened_by),
            revision=revisions.get(case, 0),
            sets=sets.get(case, 0),
            rods=rods.get(case, 0),
            last=Stamp(last_seq, last_at, last_by),
            last_kind=kind,
        )
        for case, opened_seq, opened_at, opened_by, last_seq, last_at, last_by, kind in (
            connection.execute(query)
        )
    )


def _by_case(connection: Connection, query: Any) -> dict[str, int]:
    return {case: number for case, number in connection.execute(query)}


def stamp(event: Event) -> Stamp:
    """Tell when an event was recorded, and by whom."""
    return Stamp(event.seq, event.at, event.by)


def _prescription(event: Event, sha256: str) -> StoredPrescription:
    body = event.body
    return StoredPrescription(
        case=event.case,
        revision=body["revision"],
        text=body["text"],
        sha256=sha256,
        reason=body.get("reason") or "",
        stamp=stamp(event),
    )


def _reading(event: Event) -> StoredReading:
    body = event.body
    return StoredReading(
        identifier=body["identifier"],
        quantity=body["quantity"],
        value_um=body["value_um"],
        uncertainty_nm=body.get("uncertainty_nm"),
        gauge=body["gauge"],
        note=body.get("note") or "",
        stamp=stamp(event),
        details=body.get("details") or {},
    )


def _content(content: dict[str, Any], name: str) -> StoredContent:
    return StoredContent(name, content_sha256(content), canonical_json(content))


_STATES = {
    None: SetState.STARTED,
    Kind.SET_MADE: SetState.MADE,
    Kind.SET_ABANDONED: SetState.ABANDONED,
}


def _stored_set(
    started: Event, ended: Event | None, prescription: StoredPrescription
) -> StoredSet:
    body, end = started.body, ended.body if ended else {}
    spec = end.get("spec")
    return StoredSet(
        name=body["set"],
        case=started.case,
        state=_STATES[ended.kind if ended else None],
        purpose=body["purpose"],
        set_revision=body["set_revision"],
        folder=end.get("folder", body["folder"]),
        inputs_sha256=body["inputs_sha256"],
        program=body["program"],
        prescription=prescription,
        template=_content(body["template"], body["template"]["name"]),
        process=_content(body["process"], body["process"]["name"]),
        spec=None if spec is None else _content(spec, body["set"]),
        sums_sha256=end.get("sums_sha256"),
        started=stamp(started),
        ended=stamp(ended) if ended else None,
    )
