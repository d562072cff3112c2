"""What the papers of a case tell: when they were printed, and under which prescription."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from labkit.core.case.case_standing import CaseStanding
from labkit.core.grading.prescription import Prescription
from labkit.documents.set_spec import Spec
from labkit.documents.standing import what_holds
from labkit.errors import LabkitError
from labkit.ledger.bodies import PapersPrinted, said
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.revision import is_before
from labkit.ledger.stored import SetState, StoredPrescription, StoredSet
from labkit.workflow.sets.stored_case import read_stored

if TYPE_CHECKING:
    from labkit.workflow.record.recorder import Recorder

#: The first version whose papers tell what held when they were printed; papers of rods in place of
#: others told, before it, the prescription of the first set.
TELLS_STANDING = "1.1.0"


@dataclass(frozen=True)
class Printed:
    """The last papers of a set, or the last case sheet of today.

    Args:
        name: What they are, such as "papers of QF-1043-r1".
        entry: Of the record, for which they are true.
        on: Day of printing.
        told: The prescription revision that they tell.
        prescription: The same, read; None where this program cannot read it.
        marks: Whether they can say NOT TO BE WORN.
    """

    name: str
    entry: int
    on: str
    told: StoredPrescription
    prescription: Prescription | None
    marks: bool


def printed_papers(reader: Reader, case: str) -> Iterator[Printed]:
    """Give the last papers of every set that was made, and the last case sheet of today.

    A set is begun, its papers are written, and it is recorded as made: they tell what held when it
    was begun.
    """
    printed = reader.current(case, Kind.PAPERS_PRINTED)
    again = {body.set: event for event in printed
             for body in [said(event, PapersPrinted)] if body.paper is None}
    made = [stored for stored in reader.sets(case) if stored.state is SetState.MADE]
    for stored in made:
        yield _last(reader.prescriptions(case), stored, again.get(stored.name))
    sheets = [event for event in printed if said(event, PapersPrinted).paper]
    if sheets:
        yield _last(reader.prescriptions(case), made[-1], sheets[-1], "case sheets")


def _last(
    revisions: tuple[StoredPrescription, ...], stored: StoredSet, again: Event | None,
    name: str = "",
) -> Printed:
    marks = again is not None or not is_before(stored.program, TELLS_STANDING)
    entry = stored.started.seq if again is None else said(again, PapersPrinted).entry
    told = (
        max((one for one in revisions if one.stamp.seq <= entry), key=lambda one: one.revision)
        if marks else stored.prescription
    )
    on = (stored.started.at if again is None else again.at)[:10]
    try:
        prescription = read_stored(told)[1]
    except LabkitError:
        prescription = None
    return Printed(name or f"papers of {stored.name}", entry, on, told, prescription, marks)


def note_printed(recorder: Recorder, spec: Spec) -> None:
    """Record that the papers of a set were printed again, as its standing tells."""
    standing = what_holds(spec)
    assert standing is not None
    rod = recorder.ledger.find(spec["parts"][0]["uses"][0]["identifier"])
    assert rod is not None  # a set that the record does not know has no such standing
    printed = PapersPrinted(rod.set_name, standing.entry)
    recorder.ledger.write(rod.case, printed, recorder.by, recorder.now())


def note_sheet(recorder: Recorder, standing: CaseStanding) -> None:
    """Record that the case sheet of today was printed."""
    printed = PapersPrinted(standing.sets[-1].name, standing.entry, "sheet")
    recorder.ledger.write(standing.case, printed, recorder.by, recorder.now())
