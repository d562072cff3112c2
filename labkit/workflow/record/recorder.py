"""Records the making of sets: reserved before building, made after the rename, or abandoned."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from labkit.commit import version_and_commit
from labkit.core.grading.prescription import Side
from labkit.core.jsonable import jsonable
from labkit.errors import LabkitError, LedgerError, RefusedError
from labkit.exports.write.set_folder import SUMS_FILE, Place, rods_sha256, safe_name, sha256_of
from labkit.ledger.bodies import (
    CaseOpened,
    Order,
    OrderLine,
    RodReserved,
    SetAbandoned,
    SetMade,
    SetStarted,
    said,
)
from labkit.ledger.body_keys import MOST_NOTE
from labkit.ledger.events import Kind, checked_operator
from labkit.ledger.identity import identity_of
from labkit.ledger.reconcile import Action, reconcile
from labkit.ledger.rods import REPLACEMENT
from labkit.ledger.store import Ledger
from labkit.ledger.stored import SetState
from labkit.units import plain, written
from labkit.workflow.record.case_mark import refuse_other_mark
from labkit.workflow.record.prescribe import prescribe, refuse_number, refuse_undoing
from labkit.workflow.rods.slots import wanted_sets, withdrawn_orders
from labkit.workflow.sets.circulation import make_room, marked_beside
from labkit.workflow.sets.job import Job, Ticket
from labkit.workflow.sets.on_disk import files_of, look_at


@dataclass(frozen=True)
class Recorder:
    """Writes into the ledger what is made, in the name of one operator.

    Args:
        say: Told in a sentence what was settled of runs that were killed.

    Raises:
        InputError: The operator code is none.
    """

    ledger: Ledger
    by: str
    now: Callable[[], datetime.datetime]
    say: Callable[[str], None]

    def __post_init__(self) -> None:
        checked_operator(self.by)

    def settle(self, case: str) -> None:
        """Settle the sets of a case that killed runs left open.

        To be called while the case is held in its folder, so that no set of a run at work
        there is taken for one of these.

        Then tell where the files of the last whole set are not as recorded, or not there.

        Raises:
            LedgerError: The ledger cannot be written.
        """
        for decision in reconcile(
            self.ledger, look_at, self.by, self.now(), case, open_only=True
        ):
            if decision.action is not Action.WAIT:
                self.say(decision.sentence)
        for stored in wanted_sets(self.ledger, case)[-1:]:
            if told := files_of(stored).told:
                self.say(told)

    def start_beside(
        self, job: Job, out: Path, last: int, *, take_back: bool
    ) -> tuple[Job, Ticket]:
        """Reserve a set of a case that may have rods in circulation.

        Args:
            take_back: As for `make_room`.

        Raises:
            RefusedError, LedgerError: As `start` and `make_room`.
        """
        with self.ledger.transaction():
            job = make_room(self.ledger, job, (self.by, self.now()), take_back=take_back)
            job = marked_beside(self.ledger, job)
            return job, self.start(job, out, last)

    def start(self, job: Job, out: Path, last: int, asked: tuple[str, ...] = ()) -> Ticket:
        """Reserve a set: its revision and its rods' identifiers, before anything is built.

        Opens the case and keeps the text of its prescription where they are new.

        Args:
            last: Highest revision of the case that lies there.
            asked: Of extra rods and of those that take the place of others, what was asked for
                each step, in words; it becomes an order.

        Raises:
            RefusedError: A newer prescription has replaced this one.
            LedgerError: It contradicts the record, or cannot be written.
        """
        with self.ledger.transaction():
            revision = self._prescription_revision(job)
            ticket = self._ticket(job, last)
            order = self._order(job, asked) if asked else None
            name = _set_name(job.number, ticket.revision)
            self._record(job.number, SetStarted(
                set=name,
                revision=revision,
                set_revision=ticket.revision,
                purpose=_purpose(job, asked),
                folder=str(out.resolve() / name),
                inputs_sha256=job.inputs_sha256,
                program=version_and_commit(),
                template=jsonable(job.case.template),
                process=jsonable(job.means.process),
                rods=tuple(_rods(job, ticket)),
                order=order,
            ))
        return ticket

    def made(self, place: Place, job: Job, spec: dict[str, Any]) -> None:
        """Record that a set was made, once it lies in its place.

        Args:
            place: Where it lies.
            spec: Content of its spacer-set.json.

        Raises:
            LedgerError: It cannot be recorded now; the sentence says that the set lies there.
        """
        folder = place.final.resolve()
        try:
            self._record(job.number, SetMade(
                place.name, str(folder), sha256_of(folder / SUMS_FILE), spec, rods_sha256(folder)
            ))
        except (LabkitError, OSError) as error:
            raise LedgerError(
                f"the set in {place.final} is whole, but could not be recorded as made ({error}); "
                "`labkit ledger reconcile` or the next run for this case records it"
            ) from error

    def failed(self, out: Path, job: Job, ticket: Ticket, why: BaseException) -> None:
        """Record that a set was abandoned; where that fails, the next run settles it."""
        name = _set_name(job.number, ticket.revision)
        if (out / name).exists():  # stopped after the rename: settled by looking at the folder
            return
        sentence = " ".join((str(why) or type(why).__name__).split())
        reason = "".join(c for c in sentence if c.isprintable())[:MOST_NOTE]
        try:
            self._record(job.number, SetAbandoned(name, reason))
        except LabkitError as error:
            self.say(f"{name}: reserved and not made; recorded as abandoned later ({error})")

    def _record(self, case: str, what: object) -> int:
        return self.ledger.write(case, what, self.by, self.now()).seq

    def _prescription_revision(self, job: Job) -> int:
        """Find the revision that a prescription's text is, or keep it as the next one."""
        if not self.ledger.has_case(job.number):
            refuse_number(job.case)
            self._record(job.number, CaseOpened())
        if job.replaces:
            for earlier in self.ledger.prescriptions(job.number):
                if earlier.text == job.case.source.text:
                    return earlier.revision  # a rod in place of another is made as that one was
        refuse_undoing(self.ledger, job.case)
        refuse_other_mark(self.ledger, job.case.prescription, job.case.source.name)
        return prescribe(self.ledger, job.number, job.case.source, "", (self.by, self.now()))

    def _ticket(self, job: Job, last: int) -> Ticket:
        """Choose the revision and identifiers that nothing in the ledger bears."""
        known = (stored.set_revision for stored in self.ledger.sets(job.number))
        revision = max((last, *known)) + 1
        while self.ledger.set_named(_set_name(job.number, revision)) is not None:
            revision += 1
        attempts: dict[tuple[int, Side], int] = {}
        taken: set[str] = set()
        ticket = Ticket(job.inputs_sha256, revision, attempts, identity_of(self.ledger))
        for place in job.places():
            attempts[place] = -1
            identifier = ""
            while not identifier or identifier in taken or self.ledger.is_used(identifier):
                attempts[place] += 1
                identifier = ticket.identifier(*place)
            taken.add(identifier)
        return ticket

    def _order(self, job: Job, asked: tuple[str, ...]) -> int:
        """Record an order of extra rods, or take up the same one that a killed run left."""
        lines = tuple(
            OrderLine(rod.side, rod.length_um, rod.label, asked[rod.step - 1], rod.percent,
                      rod.replaces)
            for rod in _rods(job, Ticket(job.inputs_sha256, 1))
        )
        taken = self._served_orders(job.number) | withdrawn_orders(self.ledger, job.number).keys()
        for earlier in self.ledger.current(job.number, Kind.ORDER):
            if earlier.seq not in taken and _as_now(said(earlier, Order).lines) == lines:
                return earlier.seq
        return self._record(job.number, Order(lines))

    def _served_orders(self, case: str) -> set[int]:
        """Find the orders whose set is made or at work."""
        return {
            order
            for each in self.ledger.sets(case)
            if each.state is not SetState.ABANDONED and (order := each.order) is not None
        }


def _purpose(job: Job, asked: tuple[str, ...]) -> str:
    if job.replaces:
        return REPLACEMENT
    return "extra" if asked else "set"


def _set_name(case: str, revision: int) -> str:
    return f"{safe_name(case)}-r{revision}"


def _rods(job: Job, ticket: Ticket) -> Iterator[RodReserved]:
    steps = job.case.spacer_set.steps
    for number, side in job.places():
        step = steps[number - 1]
        rod = step.rod(side)
        yield RodReserved(
            identifier=ticket.identifier(number, side),
            step=number,
            side=str(side),
            length_um=_micrometres(rod.length),
            label=rod.label,
            percent=repr(written(step.percent)),
            replaces=job.replaces[number, side].identifier if job.replaces else None,
        )


def _as_now(lines: tuple[OrderLine, ...]) -> tuple[OrderLine, ...]:
    """Give the lines of an order as they are written today: older ones have uncut percentages."""
    return tuple(
        line if line.percent is None
        else replace(line, percent=repr(written(float(line.percent))))
        for line in lines
    )


def _micrometres(length: Decimal) -> int:
    scaled = length.scaleb(3)
    if scaled != scaled.to_integral_value():
        raise RefusedError(
            f"a rod of {plain(length)} mm cannot be recorded: the ledger keeps whole micrometres; "
            "prescribe a length grid of whole micrometres",
            field="grading.grid", value=length,
        )
    return int(scaled)
