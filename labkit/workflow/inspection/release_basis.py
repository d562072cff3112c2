"""What a release rests on, rod by rod, and what is still missing for one."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.findings import Finding, notes_of, refusals
from labkit.core.people import is_one_of
from labkit.core.report import Column, Table, data_of, only
from labkit.ledger.builds import builds_of, given_by, numbers_of
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.qa.decision.conformance import DECISION_RULE, PROBABILITY, Result
from labkit.qa.decision.readings import NEEDED_PARTS, PARTS
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.decision.temperature import THERMOMETER, not_in_the_room
from labkit.units import counted, first_few, millimetres
from labkit.workflow.inspection.earlier_sets import earlier_sets
from labkit.workflow.inspection.inspect import Inspection
from labkit.workflow.inspection.limits_report import ends
from labkit.workflow.inspection.parts import RodRecord
from labkit.workflow.inspection.questions import Answer, Question, answers_to
from labkit.workflow.inspection.reading_details import READING_FIELDS
from labkit.workflow.inspection.release_gauges import against_gauges
from labkit.workflow.inspection.release_state import readings_seen
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.accepted import of_finding, of_length, of_sides
from labkit.workflow.rods.as_is import AsIs
from labkit.workflow.rods.since import revised_since
from labkit.workflow.rods.slots import Slot

Json = dict[str, Any]


def missing_for_release(inspection: Inspection) -> tuple[str, ...]:
    """List what keeps a set from being released, each with what to do.

    Returns:
        A sentence each; empty where the set may be released.
    """
    decision = inspection.decision
    lines = [
        line
        for slot in inspection.slots
        for line in _against_slot(inspection, slot)
    ]
    lines += against_gauges(decision.rods, inspection.stored.case, inspection.stored.name)
    accepted = {fault for said in inspection.as_is.values() for fault in said.faults}
    lines += [
        each.message for each in refusals(decision.findings) if not _is_accepted(inspection, each)
    ]
    lines += _sides_not_accepted(inspection, accepted)
    if not lines and (rest := _rest(inspection)) is not Result.CONFORMS:
        lines.append(
            f"the set {inspection.stored.name} as a whole is {rest}; check it with "
            "`labkit inspect`"
        )
    return tuple(dict.fromkeys(lines))


def _rest(inspection: Inspection) -> Result:
    """Decide on the set but for rods that are used as they are, and the steps they stand in.

    What is held by those alone has its own line, or was accepted with them.
    """
    decision, own = inspection.decision, inspection.as_is.keys()
    if not own:
        return decision.result
    results = {rod.result for rod in decision.rods if rod.identifier not in own}
    beside: set[str] = set()
    for each in decision.differences:
        sides = {each.left.identifier, each.right.identifier}
        if sides & own:
            beside |= sides
        else:
            results.add(each.decision.result)
    if Result.NOT_CONFORMING in results:
        return Result.NOT_CONFORMING
    open_still = decision.missing or decision.held - own - beside or Result.UNDECIDED in results
    return Result.UNDECIDED if open_still else Result.CONFORMS


def beyond_maximum(reader: Reader, inspection: Inspection) -> Iterator[str]:
    """Hold pairs with a rod used as is that, as long as it is, make more than the maximum now."""
    if not inspection.as_is:
        return
    standing = standing_of_case(reader, inspection.stored.case, steps=False)
    for pair in standing.pairs:
        own = [rod.identifier for rod in pair.rods.values() if rod.identifier in inspection.as_is]
        if own and pair.not_to_be_worn:
            yield (
                f"{pair.name}, of which a rod is used as is: NOT TO BE WORN on what holds now; "
                f"replace it with `labkit replace {' '.join(own)} --reason TEXT`"
            )


def _is_accepted(inspection: Inspection, finding: Finding) -> bool:
    """Tell whether what was found is about a rod that is used as it is, and accepted with that."""
    sides = finding.code in ("sides_differ", "sides_undecided")
    return any(
        sides or of_finding(finding).is_among(said.faults)
        for rod, said in inspection.as_is.items() if grouped(rod) in finding.where
    )


def _sides_not_accepted(inspection: Inspection, accepted: Collection[str]) -> Iterator[str]:
    """Hold a step whose sides do not agree by more than what was accepted.

    A rod that is held for its own length says enough about its step; one that is used as it is
    does not.
    """
    for each in inspection.decision.differences:
        own = {each.left.identifier, each.right.identifier} & inspection.as_is.keys()
        fault = of_sides(each)
        if own and each.decision.result is not Result.CONFORMS and not fault.is_among(accepted):
            yield (
                f"{fault.words}; that was not known when {grouped(min(own))} was accepted: "
                "accept it again (`labkit use-as-is`), or replace one"
            )


def without_temperature(inspection: Inspection) -> Iterator[str]:
    """Say at which rods nobody told the temperature of measuring, in at most one sentence."""
    own = [
        rod.expected.name for rod in inspection.decision.rods if rod.readings.temperature_c is None
    ]
    if own:
        redo = shlex.join(["labkit", "inspect", inspection.stored.case, "--set",
                           inspection.stored.name])
        yield (
            f"{first_few(own)}: the temperature at which it was measured is not known, and the "
            "profile asks for it (temperature_asked); measure again and record that with "
            f"`{redo} --temperature C --again REASON`"
        )


def second_person(inspection: Inspection, by: str) -> tuple[str, ...]:
    """Refuse that whoever measured a rod, or recorded its readings, releases the set.

    Args:
        by: Who is about to release it; codes that look alike are one person's.

    Returns:
        At most one sentence.
    """
    own = [
        rod for rod in inspection.decision.rods
        if rod.identifier in inspection.recorded
        and is_one_of(by, inspection.recorded[rod.identifier].hands)
    ]
    if not own:
        return ()
    return (
        f"{by} measured {counted(len(own), 'rod')} of the set, or recorded the readings, and "
        "cannot release it; let another person release it with `labkit release --by`; a lab of "
        "one person says so once in its profile (one_person = true)",
    )


def named(rod: StoredRod) -> str:
    """Name a rod in a sentence."""
    return f"rod {grouped(rod.identifier)} ({rod.label}, step {rod.step}, {rod.side})"


def _against_slot(inspection: Inspection, slot: Slot) -> Iterator[str]:
    rod, measured = slot.rod, inspection.decision.by_identifier.get(slot.rod.identifier)
    inspect = shlex.join(["labkit", "inspect", rod.case, "--set", inspection.stored.name])
    redo = f"{inspect} --again REASON"
    instead = f"labkit replace {rod.identifier} --reason TEXT"
    if rod.state == "reserved":
        yield (
            f"{named(rod)} is still being made; finish it, measure it and record its readings "
            f"with `{inspect}`"
        )
    elif not slot.filled:
        yield f"{named(rod)} is {rod.state} and nothing takes its place; make one with `{instead}`"
    elif measured is None:
        yield f"{named(rod)} was not measured; measure it and record its readings with `{inspect}`"
    else:
        said = inspection.as_is.get(rod.identifier)
        if said is None or not of_length(measured).is_among(said.faults):
            yield from _against_length(rod, measured, redo)
        yield from _against_look(rod, measured, inspect)
        yield from _against_temperature(rod, measured, redo)


def _against_length(rod: StoredRod, measured: MeasuredRod, redo: str) -> Iterator[str]:
    instead = f"labkit reject {rod.identifier} --cause … --new --out …"
    decision = measured.decision
    what = (
        f"{millimetres(decision.y_mm, 3)} mm, standard uncertainty "
        f"{millimetres(decision.u_mm, 4)} mm, tolerance {millimetres(decision.lower_mm, 3)} to "
        f"{millimetres(decision.upper_mm, 3)} mm"
    )
    if decision.result is Result.NOT_CONFORMING:
        yield f"{named(rod)} does not conform: {what}; make it once more with `{instead}`"
    elif decision.result is Result.UNDECIDED and decision.acceptance is None:
        yield (
            f"{named(rod)} is undecided, as any rod would be: {what} leave no acceptance zone; "
            f"measure it with a finer instrument (`labkit limits`) and record that with "
            f"`{redo}`"
        )
    elif decision.result is Result.UNDECIDED:
        yield (
            f"{named(rod)} is undecided: {what}; measure it again with more readings or a finer "
            f"instrument and record that with `{redo}`, or make it once "
            f"more with `{instead}`"
        )


def _against_look(rod: StoredRod, measured: MeasuredRod, inspect: str) -> Iterator[str]:
    not_seen = [
        PARTS[part] for part in NEEDED_PARTS if part not in measured.readings.seen
    ]
    if not_seen:
        told = " and ".join(not_seen)
        yield f"{named(rod)}: {told}; look, and record it with `{inspect}`"


def _against_temperature(rod: StoredRod, measured: MeasuredRod, redo: str) -> Iterator[str]:
    """Hold a rod whose temperature, as recorded, neither budget nor correction covers."""
    celsius, read = measured.readings.temperature_c, measured.readings
    corrected = any(one.name == THERMOMETER for one in measured.budget.components)
    if celsius is not None and not corrected and (
        why := not_in_the_room(read.instrument, celsius)
    ):
        yield (
            f"{named(rod)}: {why}; let rod and gauge come to 20 °C, measure it again and record "
            f"that with `{redo}`"
        )


def basis_json(
    reader: Reader, inspection: Inspection, asked: Sequence[Question],
    answers: Mapping[int, Answer],
) -> Json:
    """Write down everything that a release rests on."""
    given = [(one, told) for one in asked if (told := answers_to(one, answers))]
    stored, decision = inspection.stored, inspection.decision
    rods = [slot.rod for slot in inspection.slots]
    since = revised_since(reader, stored, rods, "when this was decided")
    aside, builds = _set_aside(reader, stored.case), builds_of(reader, stored.case)
    template, process = stored.template.content, stored.process.content
    return data_of({
        "schema": 1,
        "set_revision": stored.set_revision,
        "prescription_revision": stored.prescription.revision,
        "template": {name: template[name] for name in ("name", "title")},
        "process": {name: process[name] for name in ("name", "title", "machine", "material")},
        "probability": PROBABILITY,
        "decision_rule": DECISION_RULE,
        "rods": [
            {**_rod_json(reader, inspection, slot),
             "set_aside": aside.get(slot.rod.identifier, []),
             "as_is": _as_is_json(inspection.as_is.get(slot.rod.identifier)),
             **given_by(builds, slot.rod.identifier)}
            for slot in inspection.slots
        ],
        **numbers_of(builds, [rod.identifier for rod in rods]),
        "differences": Table.of(_DIFFERENCES, decision.differences).records,
        "notes": [
            *(f.message for f in notes_of((*decision.findings, *inspection.only_failed, *since))),
            *earlier_sets(reader, stored),
            *(f'{one.told}; answered by {told.by}: "{told.text}"' for one, told in given),
        ],
        "answers": [
            {"entries": list(one.entries), "asked": one.told, "answer": told.text, "by": told.by}
            for one, told in given
        ],
    })


def _as_is_json(said: AsIs | None) -> Json | None:
    if said is None:
        return None
    return {
        "event": said.event.seq, "at": said.event.at, "by": said.event.by,
        "faults": list(said.fault_words), "reason": said.said.reason,
        "prescriber": said.said.prescriber,
    }


def _set_aside(reader: Reader, case: str) -> dict[str, list[Json]]:
    """Give the readings of each rod that others replaced: measuring until it fits is to show."""
    story = {event.seq: event for event in reader.story(case)}
    found: dict[str, list[Json]] = {}
    for seq, later in reader.corrected(case).items():
        event, by = story[seq], story[later]
        if event.kind is Kind.READING:
            details = event.body.get("details") or {}
            found.setdefault(event.body["identifier"], []).append({
                "event": seq, "at": event.at, "by": event.by,
                "length_mm": details.get("length_mm"), "result": details.get("result"),
                "reason": by.body.get("note") or by.body.get("reason"),
            })
    return {rod: sorted(readings, key=itemgetter("event")) for rod, readings in found.items()}


_DECISION = (
    Column(None, lambda each: ends(each.decision.acceptance), "acceptance_mm"),
    Column(None, "decision.probability", "conformance_probability"),
    Column(None, "decision.result", "result"),
)
_ROD = (
    Column(None, "expected.engraved", "label"),
    Column(None, lambda rod: str(rod.expected.length_mm), "length_mm"),
    Column(None, lambda rod: str(rod.expected.tolerance_mm), "tolerance_mm"),
    Column(None, "length_mm", "measured_mm"),
    Column(None, "budget.combined_mm", "u_mm"),
    Column(None, "budget.effective_dof", "dof"),
    Column(None, lambda rod: rod.budget.coverage_factor(), "coverage_factor"),
    Column(None, lambda rod: rod.budget.expanded_mm(), "expanded_mm"),
    Column(None, lambda rod: rod.budget.to_json(), "budget"),
    *_DECISION,
)
_DIFFERENCES = (
    *only("step", "difference_mm", "u_mm"),
    Column(None, lambda each: str(each.tolerance_mm), "tolerance_mm"),
    *_DECISION,
)
#: Of a reading, what a certificate shows beside the instrument.
_SHOWN = [
    field.name for field in READING_FIELDS
    if field.name not in ("instrument", "scan", "gauge_pins", *PARTS)
]


def _rod_json(reader: Reader, inspection: Inspection, slot: Slot) -> Json:
    rod, reading = slot.rod, inspection.recorded[slot.rod.identifier]
    measured = inspection.decision.by_identifier[rod.identifier]
    return {
        "identifier": rod.identifier,
        "set": rod.set_name,
        "step": slot.step,
        "side": slot.side,
        "replaced": [_replaced_json(reader, old) for old in slot.replaced],
        "reading_events": readings_seen(reader, rod),
        "recorded": {"event": reading.stamp.seq, "at": reading.stamp.at, "by": reading.stamp.by},
        "way": reading.quantity,
        **{name: reading.details.get(name) for name in _SHOWN},
        **_parts_json(inspection.records[rod.identifier], measured),
        "gauge_pins": _tool_json(reading.details.get("gauge_pins")),
        "instrument": _tool_json(reading.details.get("instrument")),
        **Table.of(_ROD, [measured]).records[0],
    }


def _parts_json(record: RodRecord, rod: MeasuredRod) -> Json:
    """Give what was seen, and which entries told it where that was apart from the length."""
    read, length = rod.readings, record.lengths[-1]
    told = {part: entry for part in PARTS if (entry := record.told_by(part))}
    return {
        "label_read": read.label_read,
        "fittings": {True: "yes", False: "no", None: None}[read.fittings],
        "look": None if read.look is None else list(read.look),
        "verdict": read.verdict,
        "seen_apart": [
            {"part": part, "event": entry.stamp.seq, "at": entry.stamp.at,
             "by": entry.measured_by}
            for part, entry in told.items() if entry.stamp.seq != length.stamp.seq
        ],
    }


def _tool_json(tool: Json | None) -> Json | None:
    """Give what a certificate shows of an instrument, or of gauge pins."""
    return tool and {name: tool.get(name) for name in ("name", "title", "calibration_due",
                                                       "evidence")}


def _replaced_json(reader: Reader, old: StoredRod) -> Json:
    event = reader.event(old.state_since.seq)
    told = event.body if event else {}
    reason = ": ".join(one for one in (told.get("cause"), told.get("reason")) if one) or None
    return {"identifier": old.identifier, "set": old.set_name, "state": old.state,
            "reason": reason}
