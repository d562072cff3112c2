"""Using a rod as it is although it does not conform: a reason, a second person, the prescriber."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

from labkit.catalog.profiles import Profile
from labkit.core.case.case_standing import CaseRod
from labkit.core.case.identifier import grouped
from labkit.core.case.standing import pairs_standing
from labkit.core.findings import refusals
from labkit.core.people import is_one_of, require_known
from labkit.core.reasons import check_reason, has_words
from labkit.core.report import Report, Section
from labkit.errors import InputError, RefusedError
from labkit.ledger.bodies import AsIsBasis, Correction, UseAsIs
from labkit.ledger.events import Who
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredRod
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.readings import NEEDED_PARTS, PARTS
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.units import millimetres
from labkit.workflow.inspection.inspect import Inspection, decision_from_record
from labkit.workflow.inspection.judged_set import own_profile
from labkit.workflow.inspection.questions import hands_of
from labkit.workflow.inspection.release_basis import named
from labkit.workflow.inspection.release_gauges import against_gauges
from labkit.workflow.record.lookup import stored_rod
from labkit.workflow.record.standing import case_rods
from labkit.workflow.rods.accepted import MAY, Fault, of_finding, of_length, of_sides
from labkit.workflow.rods.as_is import used_as_is
from labkit.workflow.sets.stored_case import pair_of, read_case

#: What a rod must be whatever anybody says: a broken one can be swallowed.
_WHOLE = "whole"


@dataclass(frozen=True)
class Accepted:
    """What is said with it.

    Args:
        reason: Why the rod is used although it does not conform.
        prescriber: The prescriber's word: who, when, how, and what.
    """

    reason: str
    prescriber: str


def use_as_is(
    ledger: Ledger, identifier: str, words: Accepted, who: Who, profile: Profile | None = None
) -> Report:
    """Record that a rod is used as it is, with everything that is accepted by that.

    Args:
        profile: Who may accept it; None for the set's own profile.

    Raises:
        InputError: No rod bears the identifier, or reason or prescriber's word are not given.
        RefusedError: The rod conforms, is not there, was not measured or looked at, is held by
            something that nobody may accept, or who says it also measured it or is unknown.
    """
    _check_words(words)
    with ledger.transaction():
        rod = stored_rod(ledger, identifier)
        inspection = decision_from_record(ledger, rod.case, rod.first_set)
        measured = _measured(inspection, rod)
        faults = tuple(_faults(inspection, measured))
        _refuse(ledger, rod, inspection, measured, faults)
        require_known((profile or own_profile(inspection.stored)).people, who[0])
        _check_second_person(ledger, rod, who[0])
        _check_maximum(ledger, rod, measured)
        entries = tuple(one.stamp.seq for one in ledger.readings(rod.identifier))
        basis = AsIsBasis(
            entries, tuple(fault.recorded for fault in faults), measured.length_mm
        )
        event = ledger.write(
            rod.case, UseAsIs(rod.identifier, words.reason, words.prescriber, basis), *who
        )
    told = [fault.words for fault in faults]
    return Report(
        "A rod used as is",
        (Section(words=(
            f"{named(rod)} is used as is, entry {event.seq} by {who[0]}", *told,
            f"The prescriber's word: {words.prescriber}",
            "A release says so on its certificate, and every paper at the rod's row",
        )),),
        {"schema": 1, "case": rod.case, "identifier": rod.identifier, "entry": event.seq,
         "faults": told, "reason": words.reason, "prescriber": words.prescriber},
    )


def withdraw(ledger: Ledger, identifier: str, reason: str, who: Who) -> Report:
    """Take back that a rod is used as it is.

    Raises:
        InputError: No rod bears the identifier, or no reason is given.
        RefusedError: Nobody said it of the rod.
    """
    check_reason(reason, "why it is taken back", "withdraw")
    with ledger.transaction():
        rod = stored_rod(ledger, identifier)
        found = used_as_is(ledger, rod.case).get(rod.identifier)
        if found is None:
            raise _refused(rod, "is not used as is; nothing was recorded")
        seq = found.event.seq
        event = ledger.write(rod.case, Correction(reason), *who, corrects=seq)
    return Report(
        "A rod used as is",
        (Section(words=(f"{named(rod)}: entry {seq} is taken back, entry {event.seq}: it is not "
                        "used as is; a release that rests on it is no longer valid",)),),
        {"schema": 1, "case": rod.case, "identifier": rod.identifier, "entry": event.seq,
         "withdrawn": seq},
    )


def _refused(rod: StoredRod, why: str) -> RefusedError:
    return RefusedError(f"{named(rod)} {why}", field="identifier", value=rod.identifier)


def _check_words(words: Accepted) -> None:
    for text, option, what in (
        (words.reason, "reason", "why the rod is used although it does not conform"),
        (words.prescriber, "prescriber", "the prescriber's word: who said it, when and how"),
    ):
        if not has_words(text):
            raise InputError(f"--{option} has no words; give {what}", field=option)


def _measured(inspection: Inspection, rod: StoredRod) -> MeasuredRod:
    filling = {slot.rod.identifier for slot in inspection.slots if slot.filled}
    if rod.identifier not in filling:
        raise _refused(rod, f"is {rod.state}; only a rod that fills its place is used")
    found = inspection.decision.by_identifier.get(rod.identifier)
    if found is None:
        raise _refused(rod, "was not measured; measure it first (`labkit inspect`)")
    not_seen = [PARTS[part] for part in NEEDED_PARTS if part not in found.readings.seen]
    if not_seen:
        raise _refused(
            rod, f"is not known well enough: {' and '.join(not_seen)}; look, and record it first"
        )
    return found


def _faults(inspection: Inspection, rod: MeasuredRod) -> Iterator[Fault]:
    """Give what is accepted of a rod."""
    if rod.decision.result is not Result.CONFORMS:
        yield of_length(rod)
    for each in inspection.decision.differences:
        if rod.identifier in (each.left.identifier, each.right.identifier) and (
            each.decision.result is not Result.CONFORMS
        ):
            yield of_sides(each)
    yield from (of_finding(one) for one in refusals(rod.problems) if one.code in MAY)


def _refuse(
    reader: Reader, stored: StoredRod, inspection: Inspection, rod: MeasuredRod,
    faults: tuple[Fault, ...],
) -> None:
    shown = grouped(rod.identifier)
    own = [*rod.problems, *(one for one in inspection.decision.findings if shown in one.where)]
    never = [one.message for one in refusals(own) if one.code not in MAY]
    if _WHOLE in (rod.readings.look or ()):
        never.append("it is not whole, and a piece of it can be swallowed")
    if other := _half_a_step_off(reader, inspection, rod):
        never.append(
            f"it is {millimetres(abs(rod.deviation_mm), 3)} mm off, half of the way to {other} or "
            "more, so that its label would name another step"
        )
    if never:
        raise _refused(stored, f"cannot be used as is: {'; '.join(dict.fromkeys(never))}; reject "
                       "it, or find out what it is")
    if gauge := list(against_gauges([rod], stored.case, inspection.stored.name)):
        raise _refused(stored, f"is not known well enough: {'; '.join(gauge)}")
    if not faults:
        raise _refused(stored, "conforms; there is nothing to accept")
    if rod.identifier in inspection.as_is:
        seq = inspection.as_is[rod.identifier].event.seq
        raise _refused(stored, f"is used as is already, entry {seq}; nothing was recorded")


def _half_a_step_off(reader: Reader, inspection: Inspection, rod: MeasuredRod) -> str:
    """Name what of its side a rod is at least half of the way to; empty for none.

    The set's own places count, and every rod of the case in circulation, of any set.
    """
    own = rod.expected
    others = [
        (other.engraved, float(other.length_mm)) for place in inspection.bench.places
        if (other := place.expected).side == own.side
    ]
    others += [
        (f"{out.label} ({out.place})", float(out.length))
        for one in case_rods(reader, inspection.stored.case)
        if one.in_circulation and (out := one.rod.rod).side == own.side
    ]
    for name, length_mm in others:
        away = length_mm - float(own.length_mm)
        if away * rod.deviation_mm > 0 and 2 * abs(rod.deviation_mm) >= abs(away):
            return name
    return ""


def _check_second_person(reader: Reader, rod: StoredRod, by: str) -> None:
    if is_one_of(by, hands_of(*reader.readings(rod.identifier))):
        raise _refused(
            rod, f"was measured or recorded by {by}, who cannot also accept it; let another person "
            "record it with --by"
        )


def _check_maximum(reader: Reader, rod: StoredRod, measured: MeasuredRod) -> None:
    """Refuse a rod that, as long as it is, makes more than the maximum with the one beside it.

    The one beside it counts as long as it is, too, where it was accepted before.
    """
    holds = read_case(reader, rod.case).prescription
    own = [
        _as_long_as(one, measured.length_mm) if one.identifier == rod.identifier else one
        for one in case_rods(reader, rod.case)
        if one.rod.rod.pair == pair_of(rod) and one.in_circulation
    ]
    makes = pairs_standing([one.rod for one in own], holds).get(pair_of(rod))
    if makes is not None and makes.not_to_be_worn:
        beyond = "cannot be read back" if makes.percent is None else (
            f"makes {makes.percent:.1f} %, {millimetres(makes.beyond_mm)} mm beyond the maximum"
        )
        raise _refused(rod, f"as long as it is {beyond}: NOT TO BE WORN; reject it")


def _as_long_as(rod: CaseRod, length_mm: float) -> CaseRod:
    long = dataclasses.replace(rod.rod.rod, measured_mm=length_mm)
    return dataclasses.replace(rod, rod=dataclasses.replace(rod.rod, rod=long))
