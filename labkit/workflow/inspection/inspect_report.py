"""An inspected set as a report: rods, sides, findings, what is kept back, and what to do next."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from functools import partial

from labkit.core.case.identifier import grouped
from labkit.core.report import Column, Report, Section, Table, only
from labkit.qa.decision.conformance import DECISION_RULE, Result
from labkit.qa.decision.limits import printed_zone_mm
from labkit.qa.decision.readings import RodReadings
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod
from labkit.qa.decision.sides_and_steps import SideDifference
from labkit.qa.percent import percent_told
from labkit.units import counted, hundredths, millimetres
from labkit.workflow.inspection.inspect import Inspection
from labkit.workflow.inspection.limits_report import between, ends
from labkit.workflow.inspection.release_gauges import against_gauges

TOO_COARSE = (
    "no acceptance zone for some rods: the gauge is too coarse to show that they conform; see "
    "what would do"
)


def inspection_report(
    inspection: Inspection, now: Sequence[Inspected], recorded: Mapping[str, int], by: str | None
) -> Report:
    """Make the report of an inspected set.

    Args:
        now: Rods measured now; the others were recorded before.
        recorded: Identifier → number of the event just recorded; empty where nothing was.
        by: Operator code of whoever recorded it, None where nothing was.

    Returns:
        The report; for programs, lengths asked for are decimal strings, measured ones numbers.
    """
    decision, name = inspection.decision, inspection.stored.name
    rods = _rod_table(inspection, recorded)
    differences = Table.of(_DIFFERENCES, decision.differences)
    own = "" if inspection.side_tolerance_stated else "; limit: rods' own tolerance"
    return Report(
        title="Inspection of a set",
        sections=(
            Section(f"Case {inspection.stored.case}, set {name}"),
            Section(
                "Length, mm; u in µm; p: probability of being within the tolerance, %",
                tuple(_from_record(now, decision.rods)), rods,
            ),
            Section(
                f"Left–right difference, measured − labelled, mm{own}", table=differences,
                findings=decision.findings,
            ),
            Section(words=tuple(_remarks(inspection))),
            Section(f"Set {name}: {_whole(inspection)}"),
        ),
        data={
            "schema": 1,
            "case": inspection.stored.case,
            "set": name,
            "result": decision.result,
            "rule": DECISION_RULE,
            "recorded": [
                {"identifier": identifier, "event": seq} for identifier, seq in recorded.items()
            ],
            "by": by,
            "rods": rods.records,
            "not_measured": [place.identifier for place in decision.missing],
            "empty": [
                {"identifier": slot.rod.identifier, "state": slot.rod.state}
                for slot in inspection.empty
            ],
            "differences": differences.records,
            "side_tolerance_stated": inspection.side_tolerance_stated,
            "steps": Table.of(_STEPS, decision.steps).records,
            "held": sorted(decision.held),
            "doubts": [
                {"code": doubt.code, "message": doubt.sentence,
                 "identifiers": list(doubt.identifiers)}
                for doubt in inspection.doubts
            ],
            "findings": (*decision.findings, *inspection.only_failed),
        },
    )


def _from_record(now: Sequence[Inspected], all_rods: Sequence[MeasuredRod]) -> Iterator[str]:
    """Say which rods were not measured now but stand in the record."""
    new = {rod.identifier for rod in now}
    before = [rod.expected for rod in all_rods if rod.identifier not in new]
    if before:
        yield f"From the record: {', '.join(grouped(each.identifier) for each in before)}"


def _remarks(inspection: Inspection) -> Iterator[str]:
    decision = inspection.decision
    if any(rod.decision.acceptance is None for rod in decision.rods):
        yield f"Note: {TOO_COARSE}: `labkit limits {_case(inspection)}`"
    for line in against_gauges(decision.rods, inspection.stored.case, inspection.stored.name):
        yield f"Note: no release yet: {line}"
    yield from (f"Note: {finding.message}" for finding in inspection.only_failed)
    for slot in inspection.empty:
        rod = slot.rod
        what = "is still being made" if rod.state == "reserved" else (
            f"is {rod.state}; nothing takes its place yet"
        )
        yield f"Note: {rod.label} {rod.side} ({grouped(rod.identifier)}) {what}"
    for doubt in inspection.doubts:
        yield (
            f"Held: {doubt.sentence}? Take the readings again, or let a second person answer for "
            "them at the release"
        )
    for identifier, said in inspection.as_is.items():
        yield (
            f"Note: {grouped(identifier)} is {said.words}, entry {said.event.seq}: "
            f"{'; '.join(said.fault_words)}"
        )
    if held := _held(inspection):
        yield f"Keep back: {', '.join(map(grouped, sorted(held)))}"


def _held(inspection: Inspection) -> frozenset[str]:
    doubts = (doubt.identifiers for doubt in inspection.doubts)
    return inspection.decision.held.union(*doubts) - inspection.as_is.keys()


def _whole(inspection: Inspection) -> str:
    decision = inspection.decision
    if decision.result is Result.CONFORMS and (held := _held(inspection)):
        return f"by its readings it conforms; {counted(len(held), 'rod')} held"
    if decision.missing:
        of = len(inspection.bench.places)
        return f"{len(decision.rods)} of {of} rods measured; {decision.result} so far"
    return str(decision.result)


def _signed(value_mm: float) -> str:
    text = millimetres(value_mm, 3)
    return text if text.startswith("-") or float(text) == 0 else f"+{text}"


def _rod_zone(rod: MeasuredRod) -> tuple[Decimal, Decimal] | None:
    return printed_zone_mm(rod.decision.acceptance, rod.expected.length_mm)


def _side_zone(each: SideDifference) -> tuple[Decimal, Decimal] | None:
    return printed_zone_mm(each.decision.acceptance, Decimal(0))


def _instrument(readings: RodReadings) -> str | None:
    """Name the instrument of a reading by hand."""
    by_hand = readings.instrument if readings.method else None
    return by_hand.name if by_hand else None


def _micrometres(u_mm: float) -> str:
    """Write a standard uncertainty in two digits.

    >>> _micrometres(0.01217), _micrometres(0.0041)
    ('12', '4.1')
    """
    micrometres = u_mm * 1000
    return f"{micrometres:.{int(micrometres < 9.95)}f}"


def _zone_and_chance(zone: Column) -> tuple[Column, ...]:
    """Give the columns of a decision, with the acceptance zone as people read it."""
    return (
        Column("u", "decision.u_mm", "u_mm", _micrometres),
        zone,
        Column(None, lambda each: ends(each.decision.acceptance), "acceptance_mm"),
        Column(
            "p", "decision.probability", "probability",
            lambda p: percent_told(p).replace(" ", "").removesuffix("%"),
        ),
        Column(None, "decision.result", "result"),
    )


#: Under the heading "conforms" or "agree".
_ANSWERS = {Result.CONFORMS: "yes", Result.NOT_CONFORMING: "no", Result.UNDECIDED: "undecided"}
_acceptance = partial(Column, "acceptance", unknown="none")
_RODS = (
    Column("rod", "expected.identifier", "identifier", grouped),
    Column("step", lambda rod: f"{rod.expected.step} {rod.expected.side}"),
    Column(None, "expected.step", "step"),
    Column(None, "expected.side", "side"),
    Column("label", "expected.engraved", "label"),
    Column(None, lambda rod: str(rod.expected.length_mm), "nominal_mm"),
    Column(None, lambda rod: str(rod.expected.tolerance_mm), "tolerance_mm"),
    Column(None, "readings.way_told", "way"),
    Column(None, lambda rod: list(map(str, rod.readings.readings_mm)), "readings_mm"),
    Column(None, lambda rod: _instrument(rod.readings), "instrument"),
    Column("length", "length_mm", show=partial(millimetres, decimals=3)),
    *_zone_and_chance(_acceptance(_rod_zone, show=between)),
    Column(None, "readings.label_read", "label_read"),
    Column(None, "readings.fittings", "fittings_within_limits"),
    Column(None, "readings.look", "look_not"),
    Column(None, "readings.verdict", "verdict"),
    Column("conforms", "result", "rod_result", _ANSWERS.__getitem__),
)
_DIFFERENCES = (
    Column("step", "step"),
    Column("left", "left.expected.engraved", ""),
    Column("right", "right.expected.engraved", ""),
    Column("difference", "difference_mm", show=_signed),
    Column("within", "tolerance_mm", "", show=lambda within: f"±{hundredths(within)}"),
    Column(None, lambda each: str(each.tolerance_mm), "tolerance_mm"),
    *_zone_and_chance(_acceptance(_side_zone, show=lambda zone: f"±{zone[1]}")),
    Column("agree", "decision.result", "", _ANSWERS.__getitem__),
)
_STEPS = (
    *only("side"),
    Column(None, "first.expected.step", "first"),
    Column(None, "second.expected.step", "second"),
    Column(None, lambda step: str(step.nominal_mm), "nominal_mm"),
    *only("measured_mm", "u_mm"),
)


def _rod_table(inspection: Inspection, recorded: Mapping[str, int]) -> Table:
    earlier = {rod: reading.stamp.seq for rod, reading in inspection.recorded.items()}
    events = {**earlier, **recorded}
    event = Column(None, lambda rod: events.get(rod.identifier), "event")
    return Table.of((*_RODS, event), inspection.decision.rods)

def ending(
    inspection: Inspection, events: Mapping[str, int], by: str, waiting: Sequence[str] = ()
) -> Iterator[str]:
    """Say what was recorded and what comes next.

    Args:
        waiting: What a release still asks, a sentence each.
    """
    first, last = min(events.values()), max(events.values())
    which = f"entry {first}" if first == last else f"entries {first} to {last}"
    yield f"Recorded by {by}: {counted(len(events), 'rod')}, {which}"
    decision = inspection.decision
    if decision.result is Result.CONFORMS:
        look = "read every label, check every fitting and look at every rod, record that, then "
        name = shlex.quote(inspection.stored.name)
        then = f"release the set with `labkit release {_case(inspection)} --set {name}`"
        if any(against_gauges(decision.rods, inspection.stored.case, inspection.stored.name)):
            then = "put right what is named above, since no release is possible yet"
        yield f"Every rod conforms; {look if decision.not_looked_at else ''}{then}"
        yield from (f"Not yet: {line}" for line in waiting)
        return
    measured = [rod.identifier for rod in decision.rods]
    if strange := [rod for rod in measured if rod in decision.strange]:
        named = ", ".join(map(grouped, strange))
        yield (
            f"First find out which rods these are: {named}; measure them again with --again, each "
            "from its own bag"
        )
    wrong = [
        rod.identifier for rod in decision.rods
        if rod.result is Result.NOT_CONFORMING
        and rod.identifier not in (*strange, *inspection.as_is)
    ]
    if wrong:
        yield (
            f"Reject with `labkit reject {' '.join(wrong)} --cause …`; add --new --out … to make "
            "replacements at once"
        )


def _case(inspection: Inspection) -> str:
    return shlex.quote(inspection.stored.case)
