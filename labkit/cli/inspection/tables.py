"""What `labkit inspect` shows: rods, sides, findings, and what to do next."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from decimal import Decimal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from labkit.cli.common import plain_table
from labkit.core.case.identifier import grouped
from labkit.core.findings import Severity
from labkit.qa.decision.conformance import Decision, Result
from labkit.qa.decision.limits import printed_zone_mm
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.percent import percent_told
from labkit.units import counted, millimetres, plain
from labkit.workflow.inspection.inspect import Inspection

TOO_COARSE = (
    "no acceptance zone for some rods: the gauge is too coarse to show that they conform; see "
    "what would do"
)
#: Under the heading "conforms" or "agree".
_WORDS = {Result.CONFORMS: "yes", Result.NOT_CONFORMING: "no", Result.UNDECIDED: "undecided"}


def show_inspection(
    inspection: Inspection, rods: Sequence[MeasuredRod], console: Console
) -> None:
    """Show a set with its decision.

    Args:
        rods: Those measured now; the others were recorded before.
        console: Where to.
    """
    decision = inspection.decision
    _say(console, f"Case {inspection.stored.case}, set {inspection.stored.name}", "bold")
    console.print(_rods(decision.rods))
    _tell_before(rods, decision.rods, console)
    if decision.differences:
        console.print(_differences(inspection))
    for finding in decision.findings:
        word = "Held" if finding.severity is Severity.REFUSED else "Note"
        _say(console, f"{word}: {finding.message}")
    if any(rod.decision.acceptance is None for rod in decision.rods):
        _say(console, f"Note: {TOO_COARSE}: `labkit limits {_case(inspection)}`")
    for slot in inspection.empty:
        rod = slot.rod
        what = "is still being made" if rod.state == "reserved" else (
            f"is {rod.state}; nothing takes its place yet"
        )
        _say(console, f"Note: {rod.label} {rod.side} ({grouped(rod.identifier)}) {what}")
    if decision.held:
        names = [grouped(identifier) for identifier in sorted(decision.held)]
        _say(console, f"Keep back: {', '.join(names)}")
    _say(console, f"Set {inspection.stored.name}: {_whole(inspection)}", "bold")


def _tell_before(
    now: Sequence[MeasuredRod], all_rods: Sequence[MeasuredRod], console: Console
) -> None:
    """Say which rods were not measured now but stand in the record."""
    new = {rod.expected.identifier for rod in now}
    before = [rod.expected for rod in all_rods if rod.expected.identifier not in new]
    if before:
        names = ", ".join(grouped(each.identifier) for each in before)
        _say(console, f"From the record: {names}")


def _whole(inspection: Inspection) -> str:
    decision = inspection.decision
    if decision.missing:
        of = len(inspection.bench.places)
        return f"{len(decision.rods)} of {of} rods measured; {decision.result} so far"
    return str(decision.result)


def _rods(rods: Sequence[MeasuredRod]) -> Table:
    table = plain_table(
        "Length, mm; u in µm; p: probability of being within the tolerance, %",
        ("rod", "step", "label", "length", "u", "acceptance", "p", "conforms"),
    )
    for rod in rods:
        expected = rod.expected
        zone = printed_zone_mm(rod.decision.acceptance, expected.length_mm)
        table.add_row(
            grouped(expected.identifier),
            Text(f"{expected.step} {expected.side}", justify="left"),
            expected.engraved,
            millimetres(rod.length_mm, 3),
            *_decided(rod.decision, "none" if zone is None else f"{zone[0]}\u2013{zone[1]}"),
            Text(_WORDS[rod.result], justify="left"),
        )
    return table


def _differences(inspection: Inspection) -> Table:
    own = "" if inspection.side_tolerance_stated else "; within the rods' own tolerance"
    table = plain_table(
        f"Left minus right beyond labels, mm{own}",
        ("step", "left", "right", "difference", "within", "u", "acceptance", "p", "agree"),
    )
    for each in inspection.decision.differences:
        zone = printed_zone_mm(each.decision.acceptance, Decimal(0))
        table.add_row(
            str(each.step),
            each.left.expected.engraved,
            each.right.expected.engraved,
            _signed(each.difference_mm),
            f"±{plain(each.tolerance_mm)}",
            *_decided(each.decision, "none" if zone is None else f"±{zone[1]}"),
            Text(_WORDS[each.decision.result], justify="left"),
        )
    return table


def _decided(decision: Decision, zone: str) -> tuple[str, str, str]:
    return (
        f"{decision.u_mm * 1000:.1f}",
        zone,
        percent_told(decision.probability).replace(" ", "").removesuffix("%"),
    )


def ending(inspection: Inspection, events: dict[str, int], by: str) -> Iterator[str]:
    """Say what was recorded and what comes next.

    Yields:
        Sentences.
    """
    first, last = min(events.values()), max(events.values())
    which = f"event {first}" if first == last else f"events {first} to {last}"
    yield f"Recorded by {by}: {counted(len(events), 'rod')}, {which}"
    decision = inspection.decision
    if decision.result is Result.CONFORMS:
        look = "read every label and check every fitting, record that with --again, then "
        then = f"release the set with `labkit release {_case(inspection)}`"
        yield f"Every rod conforms; {look if decision.not_looked_at else ''}{then}"
        return
    measured = [rod.expected.identifier for rod in decision.rods]
    if strange := [rod for rod in measured if rod in decision.strange]:
        named = ", ".join(map(grouped, strange))
        yield (
            f"First find out which rods these are: {named}; measure them again with --again, each "
            "from its own bag"
        )
    wrong = [
        rod.expected.identifier for rod in decision.rods
        if rod.result is Result.NOT_CONFORMING and rod.expected.identifier not in strange
    ]  # fmt: skip
    if wrong:
        yield f"Replace what is wrong with `labkit replace {' '.join(wrong)} --reason … --out …`"


def _case(inspection: Inspection) -> str:
    return shlex.quote(inspection.stored.case)


def _signed(value_mm: float) -> str:
    text = millimetres(value_mm, 3)
    return text if text.startswith("-") or float(text) == 0 else f"+{text}"


def _say(console: Console, sentence: str, style: str | None = None) -> None:
    console.print(sentence, markup=False, soft_wrap=True, style=style)
