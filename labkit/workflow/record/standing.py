"""The standing of a case, asked of the record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from labkit.core.case.case_standing import (
    CaseRod,
    CaseStanding,
    SetOfCase,
    asked_back,
    pairs_now,
    start_asked,
)
from labkit.core.case.rod_life import RodState
from labkit.core.case.standing import RangeNow, same_percents
from labkit.core.grading.bite import protrusive_range
from labkit.core.grading.prescription import Prescription
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState, StoredPrescription, StoredSet
from labkit.workflow.record.story import TRIAL_WITHDRAWN
from labkit.workflow.rods.as_is import used_as_is
from labkit.workflow.sets.stored_case import as_made, read_case, read_stored


def standing_of_case(reader: Reader, case: str, *, steps: bool = True) -> CaseStanding:
    """Ask the record what holds now for every rod of a case.

    Args:
        steps: Whether to work out which prescribed steps each pair serves.

    Raises:
        InputError: The stored prescription cannot be read by this program.
        RefusedError: No set of the case was ever started.
        LedgerError: The case has no prescription.
    """
    with reader.snapshot():
        stored = read_case(reader, case)
        last = reader.last(case)
        return CaseStanding(
            case=case,
            revision=stored.revision,
            now=range_now(reader.prescriptions(case), stored.prescription),
            entry=last.seq,
            on=last.at[:10],
            sets=tuple(_sets_of(reader.sets(case), stored.prescription)),
            pairs=pairs_now(
                case_rods(reader, case), stored.prescription, stored.limits if steps else None
            ),
            most_sideways_mm=float(stored.prescription.grading.most_sideways_mm),
            asked_start=start_asked(stored.prescription, stored.limits) if steps else None,
        )


def asked_back_of(reader: Reader, case: str) -> tuple[CaseRod, ...]:
    """Ask the record which rods of a case are asked back, and nothing else of its standing.

    Raises:
        InputError: A stored prescription or set cannot be read by this program.
        LedgerError: The case has no prescription.
    """
    with reader.snapshot():
        holds = read_stored(reader.prescription(case))[1]
        return asked_back(case_rods(reader, case), holds)


def _sets_of(sets: tuple[StoredSet, ...], now: Prescription) -> Iterator[SetOfCase]:
    for stored in sets:
        if stored.state is not SetState.ABANDONED:
            made_for = read_stored(stored.prescription)[1]
            yield SetOfCase(
                stored.name, stored.set_revision, _range_mm(made_for),
                changed=not same_percents(made_for, now),
            )


def _range_mm(prescription: Prescription) -> float:
    return float(protrusive_range(prescription.bite) or 0)


def range_now(
    revisions: tuple[StoredPrescription, ...], now: Prescription
) -> RangeNow:
    """Find the entry since which the readings of the last revision hold."""
    since = revisions[-1]
    for one in reversed(revisions):
        try:
            if not same_percents(read_stored(one)[1], now):
                break
        except LabkitError:  # of another version of the program: not known to be the same
            break
        since = one
    # A trial fit is named by its own entry, wherever it is named.
    entry = since.trial if since.trial and since.reason != TRIAL_WITHDRAWN else since.stamp.seq
    return RangeNow(_range_mm(now), entry, since.stamp.at[:10], since.stamp.by)


def case_rods(reader: Reader, case: str) -> Iterator[CaseRod]:
    """Give every rod of a case that was made or is being made, with the tolerance it has.

    A rod that is used as it is makes what it measures, not what its label says.
    """
    sets = {stored.name: stored for stored in reader.sets(case)}
    rods = (rod for rod in reader.rods(case) if rod.state != RodState.ABANDONED)
    as_is = used_as_is(reader, case)
    for rod, made in as_made(sets.values(), rods):
        measures = as_is[rod.identifier].measured_mm if rod.identifier in as_is else None
        yield CaseRod(
            made if measures is None else replace(
                made, rod=replace(made.rod, measured_mm=measures)
            ),
            rod.identifier,
            sets[rod.first_set].set_revision, rod.step, RodState(rod.state),
            rod.state_since.at[:10],
        )
