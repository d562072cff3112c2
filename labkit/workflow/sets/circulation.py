"""The swap rule of a next set: rods in circulation that could be taken for one of its rods."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from labkit.core.case.case_standing import CaseRod
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import IN_CIRCULATION, OUT_OF_HOUSE, WHO_HAS_IT, RodState
from labkit.core.findings import Finding, note
from labkit.core.grading.prescription import Side
from labkit.core.grading.rules import swap_room_mm
from labkit.core.grading.steps import SpacerSet
from labkit.core.rod.parts import sides_unlike
from labkit.errors import RefusedError
from labkit.ledger import bodies
from labkit.ledger.events import Who
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredSet
from labkit.workflow.record.standing import case_rods
from labkit.workflow.sets.job import Job
from labkit.workflow.sets.planned import planned_parts
from labkit.workflow.sets.stored_case import as_made

#: Reason recorded with rods in the lab that make room for a next set.
REASON = "taken back for the next set"
#: As many rods are named in a refusal.
MOST_NAMED = 6


@dataclass(frozen=True)
class Mistakable:
    """A rod in circulation, and the label of the new one that it could be taken for."""

    rod: CaseRod
    label: str

    @property
    def words(self) -> str:
        """It in sentences."""
        one = self.rod.rod.rod
        like = "" if one.label == self.label else f" beside {self.label}"
        return (
            f"{one.label} {one.side}{like}, {grouped(self.rod.identifier)} "
            f"({WHO_HAS_IT[self.rod.state]})"
        )


def mistakable(reader: Reader, case: str, new: SpacerSet) -> tuple[Mistakable, ...]:
    """Find the rods in circulation that measure, at the worst of tolerances, as a new one."""
    found = []
    for one in case_rods(reader, case):
        side: Side = one.rod.rod.side
        near = [
            step.rod(side).label for step in new.steps
            if one.in_circulation and swap_room_mm(step.rod(side), one.rod) <= 0
        ]
        if near:
            own = one.rod.rod.label
            found.append(Mistakable(one, own if own in near else near[0]))
    return tuple(found)


def make_room(ledger: Ledger, job: Job, who: Who, *, take_back: bool) -> Job:
    """Refuse a set beside rods that could be taken for its own, or take those back.

    Those in the lab are recorded as withdrawn; those out of the house are named on the papers of
    the set, and `labkit rod` refuses to deliver a new one while they are out.

    Args:
        take_back: Whether whoever makes the set says that the old rods are taken back.

    Returns:
        The job, with a note on what is to be asked back.

    Raises:
        RefusedError: There are such rods, and nobody said so; or one is still being made.
    """
    near = mistakable(ledger, job.number, job.case.spacer_set)
    if not near:
        return job
    being_made = [one for one in near if one.rod.state is RodState.RESERVED]
    if not take_back or being_made:
        raise _refused(job.number, being_made or near)
    for one in near:
        if one.rod.state not in OUT_OF_HOUSE:
            gone = bodies.RodState(one.rod.identifier, str(RodState.WITHDRAWN), REASON)
            ledger.write(job.number, gone, *who)
    out = [one for one in near if one.rod.state in OUT_OF_HOUSE]
    return _with(job, ask_back(out)) if out else job


def ask_back(out: Iterable[Mistakable]) -> Finding:
    """Note the rods that have to come back before those of the new set are delivered."""
    return note(
        "take_back",
        "take these rods back before the new ones are delivered, since one could be taken for the "
        "other: {rods}",
        "rods",
        rods="; ".join(
            f"{one.rod.rod.rod.label} ({grouped(one.rod.identifier)})" for one in out
        ),
    )


def bear_marks(sets: Iterable[StoredSet], pairs: Iterable[tuple[object, object]]) -> bool:
    """Tell whether new rods of a case bear L and R beside those that are there.

    Args:
        sets: Those whose marks decide.
        pairs: Left and right of its settings; where a rod is not there, nothing.
    """
    parts = (part for stored in sets if stored.spec for part in stored.spec.content["parts"])
    return any(part["mark"] for part in parts) or sides_unlike(
        (left, right) for left, right in pairs if left and right
    )


def marked_beside(reader: Reader, job: Job) -> Job:
    """Mark the rods of a next set L and R where rods in circulation are marked, or differ.

    Its digest stays that of the prescription: the same one, made again, is the same set.

    Raises:
        RefusedError: A label with L or R has no room on its rod.
    """
    rods = [rod for rod in reader.rods(job.number) if rod.state in IN_CIRCULATION]
    names = {rod.set_name for rod in rods}
    sets = reader.sets(job.number)
    pairs: dict[str, dict[Side, object]] = {}
    for _, known in as_made(sets, rods):
        pairs.setdefault(known.rod.pair, {})[known.rod.side] = known.length
    beside = (one for one in sets if one.name in names)
    if not bear_marks(beside, ((p.get(Side.LEFT), p.get(Side.RIGHT)) for p in pairs.values())):
        return job
    case = replace(job.case, marked=True)
    planned = planned_parts(case, job.means.process, job.means.lettering)
    return replace(job, case=case, planned=tuple(planned))


def _with(job: Job, finding: Finding) -> Job:
    graded = job.case.spacer_set
    told = replace(graded, findings=(*graded.findings, finding))
    return replace(job, case=replace(job.case, spacer_set=told))


def _refused(case: str, near: Iterable[Mistakable]) -> RefusedError:
    return RefusedError(
        f"rods of the case {case} are in circulation that are, or could be taken for, rods of this "
        f"set: {_named(tuple(near))}; use them and order what is missing with `labkit extra`, or "
        "make it by itself with `labkit make … --take-back`, which says that they are taken back: "
        "those in the lab are then recorded as withdrawn, those outside the lab are asked back "
        "before a new rod is delivered",
        field="take_back",
    )


def _named(near: tuple[Mistakable, ...]) -> str:
    words = "; ".join(one.words for one in near[:MOST_NAMED])
    more = len(near) - MOST_NAMED
    return f"{words}; and {more} more (`labkit sheet`)" if more > 0 else words
