"""What `labkit inspect` shows: rods, sides, findings, and what to do next."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from labkit.cli.common import plain_table
from labkit.core.findings import Severity
from labkit.core.identifier import grouped
from labkit.qa.conformance import Decision, Result
from labkit.qa.rod_decision import MeasuredRod
from labkit.units import counted, millimetres, plain
from labkit.workflow.inspect import Inspection


def show_inspection(
    inspection: Inspection, rods: Sequence[MeasuredRod], console: Console
) -> None:
    """Show a set with its decision.

    Args:
        inspection: The set.
        rods: Those measured now; the others were recorded before.
        console: Where to.
    """
    decision = inspection.decision
    _say(console, f"Case {inspection.stored.case}, set {inspection.stored.name}", "bold")
    now = {rod.expected.identifier for rod in rods}
    console.print(_rods(decision.rods, now))
    if decision.differences:
        console.print(_differences(inspection))
    for finding in decision.findings:
        word = "Held" if finding.severity is Severity.REFUSED else "Note"
        _say(console, f"{word}: {finding.message}")
    if decision.held:
        names = [grouped(identifier) for identifier in sorted(decision.held)]
        _say(console, f"Keep back: {', '.join(names)}")
    _say(console, f"Set {inspection.stored.name}: {_whole(inspection)}", "bold")


def _whole(inspection: Inspection) -> str:
    decision = inspection.decision
    if decision.missing:
        of = len(inspection.bench.places)
        return f"{len(decision.rods)} of {of} rods measured; {decision.result} so far"
    return str(decision.result)


def _rods(rods: Sequence[MeasuredRod], now: set[str]) -> Table:
    table = plain_table(
        "Rods, mm; p: probability that the length lies within its tolerance",
        ("rod", "step", "side", "label", "length", "off", "u", "conforms", "p %", "result"),
    )
    for rod in rods:
        expected, decision = rod.expected, rod.decision
        before = "" if expected.identifier in now else " (recorded)"
        table.add_row(
            grouped(expected.identifier),
            str(expected.step),
            Text(expected.side, justify="left"),
            expected.engraved,
            millimetres(rod.length_mm, 3),
            _signed(rod.deviation_mm),
            millimetres(rod.u_mm, 4),
            _zone(decision),
            _percent(decision.probability),
            Text(f"{rod.result}{before}", justify="left"),
        )
    return table


def _differences(inspection: Inspection) -> Table:
    tolerances = {each.tolerance_mm for each in inspection.decision.differences}
    own = "" if inspection.side_tolerance_stated else ", the rods' own: none is prescribed"
    told = f"±{plain(max(tolerances))}" if len(tolerances) == 1 else "by step"
    table = plain_table(
        f"Left minus right, against labels, mm; side tolerance {told}{own}",
        ("step", "left", "right", "off", "u", "conforms", "p %", "result"),
    )
    for each in inspection.decision.differences:
        table.add_row(
            str(each.step),
            each.left.expected.engraved,
            each.right.expected.engraved,
            _signed(each.difference_mm),
            millimetres(each.u_mm, 4),
            _zone(each.decision),
            _percent(each.decision.probability),
            Text(str(each.decision.result), justify="left"),
        )
    return table


def ending(inspection: Inspection, events: dict[str, int], by: str) -> Iterator[str]:
    """Say what was recorded and what comes next.

    Args:
        inspection: The set.
        events: Identifier → number of the event.
        by: Operator code.

    Yields:
        Sentences.
    """
    first, last = min(events.values()), max(events.values())
    which = f"event {first}" if first == last else f"events {first} to {last}"
    yield f"Recorded by {by}: {counted(len(events), 'rod')}, {which}"
    if inspection.decision.result is Result.CONFORMS:
        yield f"Every rod conforms; release the set with `labkit release {_case(inspection)}`"
        return
    wrong = [rod for rod in inspection.decision.rods if rod.result is Result.NOT_CONFORMING]
    if wrong:
        named = " ".join(rod.expected.identifier for rod in wrong)
        yield (
            "Once a rod is shown to be wrong, and not mixed up, replace it with `labkit replace "
            f"{named} --reason …`"
        )


def _case(inspection: Inspection) -> str:
    return shlex.quote(inspection.stored.case)


def _zone(decision: Decision) -> str:
    zone = decision.acceptance
    if zone is None:
        return "none: gauge too coarse"
    return f"{millimetres(zone.lower_mm, 3)}\u2013{millimetres(zone.upper_mm, 3)}"


def _signed(value_mm: float) -> str:
    text = millimetres(value_mm, 3)
    return text if text.startswith("-") or float(text) == 0 else f"+{text}"


def _percent(probability: float) -> str:
    """Write a probability so that it never looks surer than it is.

    >>> _percent(0.99998), _percent(0.9496), _percent(0.00001)
    ('> 99.9', '94.9', '< 0.1')
    """
    if probability > 0.999:
        return "> 99.9"
    if probability < 0.001:
        return "< 0.1"
    return f"{int(probability * 1000) / 10:.1f}"


def _say(console: Console, sentence: str, style: str | None = None) -> None:
    console.print(sentence, markup=False, soft_wrap=True, style=style)
