"""Rods in place of lost, broken or rejected ones: the same rod once more, a new identifier."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.profiles import Profile, profile_of
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import (
    ENDS,
    IN_CIRCULATION,
    OUT_OF_HOUSE,
    WHO_HAS_IT,
    RodState,
)
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import SpacerSet
from labkit.core.jsonable import jsonable
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.reasons import check_reason
from labkit.core.rod.parts import Part, Use
from labkit.core.rod.rods import Process, RodTemplate
from labkit.documents.set_spec import Engraved, graded_of, part_of
from labkit.errors import RefusedError
from labkit.exports.write.set_folder import sweep_lock
from labkit.ledger import bodies
from labkit.ledger.queries import Reader
from labkit.ledger.rods import replacement_of
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.units import as_written
from labkit.workflow.record.lookup import stored_rod
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.rods.since import revised_since
from labkit.workflow.rods.slips import named_twice, refusal
from labkit.workflow.sets.as_stored import as_stored
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.job import Job, Means, Replaced, Ticket
from labkit.workflow.sets.make import MadeSet, Progress, build_set
from labkit.workflow.sets.planned import planned_parts
from labkit.workflow.sets.spec import inputs_sha256

#: Of what held at the order: kept with the set.
ORDERED = "when these rods were ordered"
#: The order keeps so much of a reason.
_MOST_ASKED = 200
Replaces = Mapping[tuple[int, Side], Replaced]


@dataclass(frozen=True)
class ReplacementOrder:
    """Which rods are lost, broken or rejected, and made once more.

    Args:
        identifiers: The rods, as typed or scanned; all of one set.
        reason: Why, in words; it is recorded with what became of the rods.
        because: What became of them: lost, broken or rejected; None where they are in the lab, and
            rejected.
        cause: Of rejected ones, from the list of causes; None where nobody told it.
    """

    identifiers: tuple[str, ...]
    reason: str
    because: RodState | None = None
    cause: str | None = None


def make_replacement(
    order: ReplacementOrder, means: tuple[Lettering, Profile | None], out: Path,
    progress: Progress, recorder: Recorder,
) -> MadeSet:
    """Record what became of rods and make each once more, as it was made, with a new identifier.

    Prescription revision, template, process and every length are those of the record. The
    rejection, the order and the new identifiers are recorded as one before anything is built;
    where the run is killed after that, the same command makes the rods.

    Args:
        means: Lettering of the labels, and the lab's profile; None for the one of the set.
        progress: Told after each part, plate and paper.

    Returns:
        The set of the new rods alone as it lies in `out`.

    Raises:
        InputError: An identifier is none, or no rod bears it; no reason is given.
        RefusedError: A rod is not made, or has its replacement already, or the rods are not of
            one set; or as `make_set`.
    """
    ledger = recorder.ledger
    check_reason(order.reason, "why with --reason")
    # What is not there or not to be replaced leaves no folder and no lock behind.
    case = _asked(ledger, order)[0].case

    def begin(last: int) -> tuple[Job, Ticket]:
        with ledger.transaction():
            rods = _asked(ledger, order, settled=True)
            job = replacement_job(ledger, rods, means)
            for rod in rods:
                if rod.state not in ENDS:
                    became = _became(rod, order)
                    cause = order.cause if became is RodState.REJECTED else None
                    state = bodies.RodState(
                        rod.identifier, str(became), order.reason, cause=cause
                    )
                    ledger.write(case, state, recorder.by, recorder.now())
            asked = (f"once more: {order.reason}"[:_MOST_ASKED],)
            return job, recorder.start(job, out, last, asked * len(job.case.spacer_set.steps))

    return build_set(out, case, begin, progress, recorder)


def sweep_before(reader: Reader, order: ReplacementOrder, out: Path) -> None:
    """Take away the lock that a killed run for the case of an order left in a folder.

    Raises:
        InputError: As `make_replacement`.
    """
    sweep_lock(out, stored_rod(reader, order.identifiers[0]).case)


def recorded_process(reader: Reader, order: ReplacementOrder) -> Process:
    """Give the process that the rods of an order were made with, as recorded.

    Raises:
        InputError, RefusedError: As `make_replacement`.
    """
    stored = reader.set_named(_asked(reader, order)[0].first_set)
    assert stored is not None
    return as_stored(Process, stored.process, {}, stored.name, accept=True)


def _became(rod: StoredRod, order: ReplacementOrder) -> RodState:
    """Tell what became of a rod that is replaced; of one out of the house somebody must say it."""
    if order.because is None and rod.state in OUT_OF_HOUSE:
        raise refusal(
            rod,
            f"the rod {grouped(rod.identifier)} is {rod.state} ({WHO_HAS_IT[RodState(rod.state)]})"
            "; say what became of it with --because lost, --because broken or --because rejected",
        )
    return order.because or RodState.REJECTED


def _asked(
    reader: Reader, order: ReplacementOrder, *, settled: bool = False
) -> tuple[StoredRod, ...]:
    """Find the rods of an order and refuse those that are not to be replaced.

    Args:
        settled: Whether what killed runs left open is settled: until then a set that was begun
            stands in nobody's way, since this very command may have been killed at it.
    """
    found = tuple(stored_rod(reader, text) for text in order.identifiers)
    for number, rod in enumerate(found):
        if rod in found[:number]:
            raise named_twice(rod)
        _refuse_not_made(rod)
        _refuse_contradiction(rod, order)
        _refuse_replaced(reader, rod, settled=settled)
        _refuse_like(reader, rod, settled=settled)
        if (rod.case, rod.first_set) != (found[0].case, found[0].first_set):
            raise refusal(
                rod,
                f"the rods {grouped(found[0].identifier)} of {found[0].first_set} and "
                f"{grouped(rod.identifier)} of {rod.first_set} are not of one set; replace them "
                "set by set",
            )
    return found


#: State of a rod that is not there → why none can be made in its place.
_NOT_MADE = {
    "reserved": "is not made yet: its set {0.set_name} was begun and not finished; finish or "
    "settle it first (`labkit ledger reconcile`)",
    "abandoned": "was never made: its set {0.set_name} was abandoned; there is nothing to "
    "replace",
}


def _refuse_not_made(rod: StoredRod) -> None:
    if rod.state in _NOT_MADE:
        why = _NOT_MADE[rod.state].format(rod)
        raise refusal(rod, f"the rod {grouped(rod.identifier)} {why}")


def _refuse_contradiction(rod: StoredRod, order: ReplacementOrder) -> None:
    """Refuse another word on what became of a rod than the record has."""
    if rod.state in ENDS and order.because not in (None, rod.state):
        raise refusal(
            rod,
            f"the rod {grouped(rod.identifier)} is {rod.state} by the record, not {order.because}; "
            "leave out --because, or take the record's word back first with `labkit rod "
            f"{rod.identifier} mistaken`; nothing was recorded",
        )


def _refuse_replaced(reader: Reader, rod: StoredRod, *, settled: bool) -> None:
    by = replacement_of(reader.rods(rod.case), rod.identifier)
    if by is not None and (settled or by.state != "reserved"):
        how = "is being made in its place" if by.state == "reserved" else "is in its place"
        raise refusal(
            rod,
            f"the rod {grouped(rod.identifier)} is {rod.state} already, and the rod "
            f"{grouped(by.identifier)} of {by.set_name} {how}; reject that one where it is bad too",
        )


def _refuse_like(reader: Reader, rod: StoredRod, *, settled: bool) -> None:
    """Refuse a second rod of one label and side: rods in between may have taken its step."""
    there = IN_CIRCULATION if settled else {*IN_CIRCULATION} - {RodState.RESERVED}
    for other in reader.rods(rod.case):
        like = (other.side, other.length_um) == (rod.side, rod.length_um)
        if like and other.identifier != rod.identifier and other.state in there:
            raise refusal(
                rod,
                f"the {rod.side} rod {rod.label} is in circulation already, as "
                f"{grouped(other.identifier)} of {other.set_name}; nothing has to be made "
                f"to replace {grouped(rod.identifier)}",
            )


def replacement_job(
    ledger: Ledger, rods: tuple[StoredRod, ...], means: tuple[Lettering, Profile | None]
) -> Job:
    """Work out rods in place of others from the record, before anything is reserved or built.

    Args:
        rods: The rods whose place they take, all of one set.
        means: Lettering and profile, as for `make_replacement`.

    Raises:
        RefusedError: This version of the program would make another rod.
        InputError: The record is of a form that this version does not know.
    """
    stored = ledger.set_named(rods[0].first_set)
    assert stored is not None
    spec = stored.content
    case = replace(
        _case(ledger, stored, graded_of(spec), rods),
        marked=any(part["mark"] for part in spec["parts"]),
    )
    process = as_stored(Process, stored.process, {}, stored.name, accept=True)
    replaces = {(rod.step, Side(rod.side)): _replaced(rod, stored) for rod in rods}
    planned = _pieces(planned_parts(case, process, means[0]), replaces)
    _require_as_recorded(planned, spec["parts"])
    profile = means[1] or profile_of(spec)
    # What fills a sentence's places says nothing that the sentence does not.
    findings = [replace(one, values={}) for one in case.spacer_set.findings]
    digest = inputs_sha256(case, process, means[0], {
        "replaces": sorted(rod.identifier for rod in rods),
        "findings": jsonable(findings),
    })
    return Job(
        case, Means(process, means[0], profile), tuple(planned), digest, replaces=replaces
    )


def _replaced(rod: StoredRod, stored: StoredSet) -> Replaced:
    return Replaced(rod.identifier, rod.set_name, stored.prescription.revision)


def _case(
    ledger: Ledger, stored: StoredSet, graded: SpacerSet, rods: tuple[StoredRod, ...]
) -> Case:
    text = stored.prescription
    source = parse_toml(text.text, f"{stored.case}, prescription revision {text.revision}")
    template = as_stored(RodTemplate, stored.template, {}, stored.name, accept=True)
    prescription, _ = read_prescription(source, {template.name: template})
    findings = (*graded.findings, *revised_since(ledger, stored, rods, ORDERED))
    return Case(source, prescription, template, replace(graded, findings=findings))


def _pieces(
    planned: list[tuple[Part, Engraving]], replaces: Replaces
) -> list[tuple[Part, Engraving]]:
    """Keep of the whole set's parts only the pieces that are ordered."""
    kept = []
    for part, engraving in planned:
        uses = tuple(Use(use.step, use.side) for use in part.uses
                     if (use.step, use.side) in replaces)
        if uses:
            kept.append((Part(part.rod, uses), engraving))
    return kept


def _require_as_recorded(
    planned: list[tuple[Part, Engraving]], recorded: list[dict[str, object]]
) -> None:
    """Hold the new parts against the recorded ones: shape and label must be the same."""
    known = {part.part: part for part in map(part_of, recorded)}
    for part, engraving in planned:
        was = known.get(part.rod.part)
        if was is None or was.rod(part.rod.template) != part.rod:
            raise _changed(part.rod.part)
        now = Engraved.of(engraving)
        if as_written(jsonable(was.engraving)) != as_written(jsonable(now)):
            raise _changed(part.rod.part)


def _changed(part: str) -> RefusedError:
    return RefusedError(
        f"this version of the program makes the rod {part} otherwise than it was made; a rod in "
        "its place must be the same: use the version that the set was made with (`labkit show`)",
        field="part", value=part,
    )
