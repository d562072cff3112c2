"""The limits of a set's rods as a report."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple

from labkit.core.case.identifier import grouped
from labkit.core.findings import notes_of
from labkit.core.report import Column, Report, Section, Table
from labkit.qa.decision.conformance import DECISION_RULE, Zone
from labkit.qa.decision.limits import RodLimits
from labkit.qa.decision.readings import Expected
from labkit.qa.uncertainty import dof_told
from labkit.units import counted, hundredths, plain
from labkit.workflow.inspection.limits import SetLimits


class _Rod(NamedTuple):
    line: Expected
    limits: RodLimits


def limits_report(limits: SetLimits) -> Report:
    """Make the report of a set's limits: of lengths, of readings, and what the gauge leaves."""
    of, way, gauge = limits.of, limits.way, limits.gauge
    rods = Table.of(_RODS, map(_Rod, of.lines, limits.rods))
    longest = max(limits.rods, key=lambda each: each.length_mm)
    return Report(
        title="Limits of a set",
        sections=(
            Section(f"Case {of.case}, set {of.name}", (*_measured(limits), "")),
            Section("Limits, mm: of the length, and of the mean reading that conforms", table=rods),
            Section(
                f"Uncertainty of a length of {plain(longest.length_mm)} mm, in µm",
                (DECISION_RULE,), _budget_table(longest), findings=notes_of(limits.findings),
            ),
        ),
        data={
            "schema": 1,
            "case": of.case,
            "set": of.name,
            "way": {
                "method": way.method, "title": way.title, "formula": way.formula,
                "shift_mm": way.shift_mm, "play_mm": way.play_mm,
            },
            "instrument": gauge.instrument,
            "gauge_uncertainty_mm": gauge.uncertainty_mm,
            "readings": gauge.readings,
            "rule": DECISION_RULE,
            "rods": rods.records,
            "would_do": [
                {"instrument": tool.name if tool else None, "method": other.method}
                for tool, other in limits.would_do
            ],
            "findings": limits.findings,
        },
    )


def _measured(limits: SetLimits) -> Iterator[str]:
    gauge, way = limits.gauge, limits.way
    with_what = f"the usual gauge of process {limits.of.process}"
    if gauge.instrument:
        # Without an instrument the stated uncertainty stands, however many readings there are.
        with_what = f"{gauge.instrument.title}; {counted(gauge.readings, 'reading')} of each rod"
    yield f"Measured {way.title}, with {with_what}"
    shift = way.shift_mm
    sign, size = ("−" if shift > 0 else "+"), plain(abs(shift))
    yield f"{way.formula}: length = reading {sign} {size} mm" if shift else way.formula
    if way.gauge_pins_mm:
        pins = " and ".join(f"{pin} mm" for pin in dict.fromkeys(way.gauge_pins_mm))
        yield f"Gauge pins: {pins}"


def between(limits: tuple[object, object]) -> str:
    """Write limits with a bare dash, so that a line fits a narrow screen."""
    return f"{limits[0]}–{limits[1]}"


def _specified(limits: tuple[Decimal, Decimal]) -> str:
    return between((hundredths(limits[0]), hundredths(limits[1])))


def ends(zone: Zone | None) -> tuple[float, float] | None:
    """Give a zone's ends for programs."""
    return None if zone is None else (zone.lower_mm, zone.upper_mm)


def _accepted_reading(rod: _Rod) -> list[str] | None:
    found = rod.limits.accepted_reading_mm
    return None if found is None else [str(limit) for limit in found]


_limits = partial(Column, show=between, unknown="none")
_RODS = (
    Column("rod", "line.identifier", "identifier", grouped),
    Column("step", lambda rod: f"{rod.line.step} {rod.line.side}", ""),
    Column(None, "line.step", "step"),
    Column(None, "line.side", "side"),
    Column("label", "line.engraved", ""),
    Column(None, "line.label", "label"),
    Column(None, "line.mark", "mark"),
    Column(None, lambda rod: str(rod.line.length_mm), "length_mm"),
    Column(None, lambda rod: str(rod.line.tolerance_mm), "tolerance_mm"),
    Column("allowed", "limits.specification_mm", "specification_mm", _specified),
    Column(None, lambda rod: ends(rod.limits.acceptance), "acceptance_mm"),
    Column(None, lambda rod: ends(rod.limits.rejection), "rejection_mm"),
    Column(
        None, lambda rod: str(rod.line.length_mm + rod.limits.way.shift_mm), "reading.nominal_mm"
    ),
    Column(None, _accepted_reading, "reading.acceptance_mm"),
    _limits("conforms", "limits.accepted_mm", ""),
    _limits("reading", "limits.accepted_reading_mm", ""),
    Column(None, "limits.budget.combined_mm", "u_mm"),
    Column(None, "limits.budget.effective_dof", "dof"),
    Column(None, lambda rod: rod.limits.budget.expanded_mm(), "expanded_mm"),
    Column(None, lambda rod: rod.limits.budget.to_json(), "budget"),
)
_BUDGET = (
    Column("from", "name"),
    Column("u", "u_mm", show=lambda u: f"{1000 * u:.2f}"),
    Column("ν", "dof", show=partial(dof_told, endless="∞")),
    Column("basis", "basis"),
)


def _budget_table(each: RodLimits) -> Table:
    budget = each.budget
    expanded = (
        f"expanded: {1000 * budget.expanded_mm():.1f} µm "
        f"(k = {budget.coverage_factor():.2f}, 95 %)"
    )
    parts = Table.of(_BUDGET, budget.components)
    together: tuple[Any, ...] = ("together", budget.combined_mm, budget.effective_dof, expanded)
    return Table(_BUDGET, (*parts.rows, together))
