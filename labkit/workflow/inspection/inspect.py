"""Inspection of a recorded set: from readings to decisions, and into the record."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from labkit.catalog.profiles import Profile
from labkit.core.case.identifier import grouped
from labkit.core.findings import Finding
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.core.people import require_known
from labkit.errors import RefusedError
from labkit.ledger.events import Kind, Who, checked_operator
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredReading, StoredRod, StoredSet
from labkit.qa.decision.bench import Bench
from labkit.qa.decision.readings import LOOK, RodReadings
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod, readings_of
from labkit.qa.decision.set_decision import SetDecision, decide_set
from labkit.qa.decision.taken import Doubt, doubts
from labkit.units import first_few
from labkit.workflow.inspection.judged_set import lay_out, own_profile
from labkit.workflow.inspection.only_failed import only_failed
from labkit.workflow.inspection.parts import RodRecord, parts_of, whole_rod
from labkit.workflow.inspection.reading_details import event_body
from labkit.workflow.record.story import moment
from labkit.workflow.rods.as_is import AsIs, used_as_is
from labkit.workflow.rods.slots import Slot, slots_of
from labkit.workflow.sets.bench import side_tolerances


@dataclass(frozen=True)
class Inspection:
    """A set with its readings: what it is, what was measured, what that proves.

    Args:
        slots: Its places with the rods that fill them now.
        records: What the record holds of each rod that fills a place, by identifier.
        decision: The decision on the set; a rod that was rejected or lost counts as not measured.
        as_is: Rods that do not conform and are used as they are, by identifier.
        only_failed: Notes of rods whose every recorded build failed.
    """

    stored: StoredSet
    slots: tuple[Slot, ...]
    bench: Bench
    records: Mapping[str, RodRecord]
    decision: SetDecision
    as_is: Mapping[str, AsIs]
    only_failed: tuple[Finding, ...]

    @property
    def recorded(self) -> Mapping[str, StoredReading]:
        """The reading of the record that tells a rod's length, by identifier."""
        return {rod: each.lengths[-1] for rod, each in self.records.items() if each.lengths}

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """Readings of which it is asked whether they were taken."""
        return doubts(self.decision.rods)

    @property
    def points(self) -> tuple[str, ...]:
        """What every rod of the set is looked at for, by the profile that it keeps."""
        return LOOK + own_profile(self.stored).look

    @property
    def empty(self) -> tuple[Slot, ...]:
        """Places whose rod was rejected or lost and has nothing in its place yet."""
        return tuple(slot for slot in self.slots if not slot.filled)

    @property
    def side_tolerance_stated(self) -> bool:
        """Whether the prescription states the side tolerance; else it is the rods' own."""
        grading = self.stored.content.get("prescription", {}).get("grading", {})
        return grading.get("side_tolerance_mm") is not None


def decision_from_record(
    reader: Reader, case: str, set_name: str | None = None
) -> Inspection:
    """Decide on a set from the readings in the ledger that nothing has corrected.

    Args:
        set_name: Which set, None for the last one made; of a replacement set, the set that it
            belongs to.

    Raises:
        InputError: The ledger does not know the case or the set.
        LedgerError: The set is not made.
        RefusedError: It was recorded in a form that this program cannot decide on.
    """
    return inspect(reader, case, set_name, (), {})


def inspect(
    reader: Reader, case: str, set_name: str | None, measured: Sequence[Inspected],
    instruments: Mapping[str, Instrument],
) -> Inspection:
    """Decide on a set from new measurements together with those in the ledger.

    Args:
        measured: Rods measured or looked at now; each part told counts before what is recorded.

    Raises:
        InputError: The ledger does not know the case or the set.
        LedgerError: The set is not made.
        RefusedError: It was recorded in a form that this program cannot decide on.
    """
    with reader.snapshot():
        stored, slots, bench = lay_out(reader, case, set_name, instruments)
        records = {
            slot.rod.identifier: RodRecord.of(reader, slot.rod.identifier) for slot in slots
        }
        as_is = used_as_is(reader, case)
        now = {one.identifier: one for one in measured}
        filled = {slot.rod.identifier for slot in slots if slot.filled}
        known = [
            one for rod, record in records.items() if rod in filled or rod in now
            if (one := whole_rod(bench, record, now.get(rod))) is not None
        ]
        failed = tuple(only_failed(
            reader, [slot.rod for slot in slots], {one.identifier for one in known}
        ))
    decision = decide_set(
        [place.expected for place in bench.places],
        [one for one in known if isinstance(one, MeasuredRod)], side_tolerances(stored, bench),
        [one for one in known if isinstance(one, RodReadings)],
    )
    return Inspection(
        stored, slots, bench, records, decision,
        {rod: said for rod, said in as_is.items() if rod in filled and rod not in now}, failed,
    )


def where_is(reader: Reader, inspection: Inspection, identifier: str) -> str:
    """Say of an identifier that fills no place of a set what it is.

    Returns:
        Words that follow the identifier.
    """
    rod = reader.find(identifier)
    if rod is None:
        return f"is not in the ledger {reader.place}; read the rod's papers again"
    for slot in inspection.slots:
        if identifier in (earlier.identifier for earlier in slot.replaced):
            return f"was replaced by {grouped(slot.rod.identifier)}; measure that rod"
    if rod.case != inspection.stored.case:
        return f"is a rod of the case {rod.case}, not of {inspection.stored.case}"
    return (
        f"is a rod of the set {rod.set_name}, not of {inspection.stored.name}; name its set with "
        "--set"
    )


def record_readings(
    ledger: Ledger,
    inspection: Inspection,
    measured: Sequence[Inspected],
    stamp: Who,
    again: str | None = None,
    profile: Profile | None = None,
) -> tuple[int, ...]:
    """Record rods as measured or looked at: one event for each, all of them or none.

    A part told again needs a reason; the entry of which every part is told again is corrected, of
    any other the rest still counts.

    Args:
        again: Why rods that were measured before are measured again; None where none may be.
        profile: Who may measure; None for the set's own profile.

    Raises:
        InputError: The operator code is none.
        RefusedError: A rod was measured already and no reason is given, it is in nobody's box any
            more, or somebody who is named is none of the lab's people.
        LedgerError: The ledger cannot be written, or the rods are not those of the set any more.
    """
    by, at = checked_operator(stamp[0]), stamp[1]
    read = [readings_of(one) for one in measured]
    require_known(
        (profile or own_profile(inspection.stored)).people,
        by, *(one.measured_by for one in read), *(one.checked_by for one in read),
    )
    with ledger.transaction():
        slots = slots_of(ledger, inspection.stored)
        now = {slot.rod.identifier: slot for slot in slots}
        rods = [each.identifier for each in measured]
        _refuse_gone(inspection, [now.get(rod) for rod in rods])
        records = [RodRecord.of(ledger, rod) for rod in rods]
        earlier = [
            [told for part in sorted(parts_of(one), reverse=True) if (told := before.told_by(part))]
            for one, before in zip(measured, records, strict=True)
        ]
        if again is None:
            _refuse_again(now, [told[0] for told in earlier if told])
        return tuple(
            ledger.record(
                Kind.READING, inspection.stored.case,
                event_body(one, again if told else None, by), by, at,
                taken.stamp.seq if told and (taken := before.taken_up_by(one)) else None,
            ).seq
            for one, before, told in zip(measured, records, earlier, strict=True)
        )


def _refuse_gone(inspection: Inspection, slots: Iterable[Slot | None]) -> None:
    for slot in slots:
        if slot is None:
            raise RefusedError(
                f"the rods of {inspection.stored.name} changed while it was measured; nothing was "
                "recorded; see `labkit show` and measure again",
                field="identifier",
            )
        if not slot.filled:
            raise RefusedError(
                f"the rod {grouped(slot.rod.identifier)} ({slot.rod.label} {slot.side}) is "
                f"{slot.rod.state}; nothing was recorded; leave it out, or replace it",
                field="identifier", value=slot.rod.identifier,
            )


def _refuse_again(now: Mapping[str, Slot], earlier: Sequence[StoredReading]) -> None:
    if not earlier:
        return
    named = [_measured_before(now[each.identifier].rod, each) for each in earlier]
    raise RefusedError(
        f"already measured: {first_few(named, '; ')}; nothing was recorded; to measure again, say "
        "why with --again, and the earlier readings are kept as corrected",
        field="again",
    )


def _measured_before(rod: StoredRod, reading: StoredReading) -> str:
    when = moment(reading.stamp.at)
    return f"{rod.label} {rod.side} ({grouped(rod.identifier)}) on {when} by {reading.stamp.by}"


def require_calibrated(instrument: Instrument | GaugePins, on: datetime.date) -> None:
    """Refuse an instrument whose calibration has run out.

    Raises:
        RefusedError: Its calibration was due before that day.
    """
    if instrument.overdue(on):
        raise RefusedError(
            f"the calibration of {instrument.name} was due on {instrument.calibration_due}; "
            "calibrate it, or use another instrument",
            field="instrument", value=instrument.name,
        )
