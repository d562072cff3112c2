"""A measured scan as a report: length, label, fittings and, of a recorded rod, the decision."""

from __future__ import annotations

from functools import partial
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.jsonable import jsonable
from labkit.core.report import Column, Report, Section, Table, only
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.percent import percent_told
from labkit.units import millimetres, plain
from labkit.workflow.inspection.measure import Scanned, kept_end

_mm = partial(millimetres, decimals=3)
_ENDS = (
    Column("end", "end", ""),
    Column("", "kind"),
    Column("diameter", lambda end: f"{_mm(end.diameter_mm)} ± {_mm(2 * end.u_mm)}", ""),
    Column(
        "limits", "limits", "", lambda limits: f"{plain(limits.least_mm)}–{plain(limits.most_mm)}",
        unknown="not in the table",
    ),
    Column("seen", "seen", show=lambda seen: f"{100 * seen:.0f} %"),
    Column("rms µm", "rms_mm", show=lambda rms: f"{1000 * rms:.0f}"),
    Column("round µm", "round_mm", show=lambda radius: f"{1000 * radius:.0f}"),
    Column("lean", lambda end: "" if end.kind == "ball" else f"{end.tilt_deg:.1f}°"),
)


def scan_report(scanned: Scanned, rod: MeasuredRod | None = None) -> Report:
    """Make the report of a measured scan."""
    measure, budget = scanned.measure, scanned.budget
    length = (
        f"Length {_mm(measure.length_mm)} ± {_mm(budget.expanded_mm())} mm (95 %, k = "
        f"{budget.coverage_factor():.2f}, u = {1000 * budget.combined_mm:.1f} µm)"
    )
    surface = (
        f"Scan: noise {1000 * measure.noise_mm:.0f} µm, {100 * measure.missing:.0f} % of the "
        f"surface missing, {measure.facets} facets"
    )
    bar = "Bar: too little of it seen" if measure.bar is None else (
        f"Bar: straight within {_mm(measure.bar.straight_mm)} mm, twisted by "
        f"{measure.bar.twist_deg:.1f}°"
    )
    return Report(
        title="Measuring a scan",
        sections=(
            Section(
                f"{scanned.file}: {measure.template}",
                (length, f"Label {_label(scanned)}", bar, surface),
            ),
            Section(
                "Fittings, mm", table=Table.of(_ENDS, (measure.lower, measure.upper)),
                findings=scanned.findings,
            ),
            *(_decision(rod) if rod else ()),
        ),
        data={
            "schema": 1, "file": scanned.file, "sha256": scanned.sha256,
            "template": measure.template,
            "length_mm": measure.length_mm,
            "uncertainty_mm": budget.combined_mm,
            "expanded_mm": budget.expanded_mm(),
            "coverage_factor": budget.coverage_factor(),
            "budget": budget.to_json(),
            "ends_told": measure.ends_told,
            "lower": kept_end(measure.lower), "upper": kept_end(measure.upper),
            "label": measure.label.engraving or None,
            "label_problem": measure.label.problem or None,
            "case_mark": measure.label.case_mark or None,
            "inward_y": measure.label.inward_y or None,
            "noise_mm": measure.noise_mm,
            "noise_in_common": measure.alike_share, "noise_reach_mm": measure.alike_mm,
            "bar": jsonable(measure.bar), "mirrored": measure.mirrored or None,
            "missing": measure.missing, "facets": measure.facets,
            "axes": measure.turn, "origin_mm": measure.place_mm,
            "findings": scanned.findings,
            **(_rod_data(rod) if rod else {}),
        },
    )


def _label(scanned: Scanned) -> str:
    label = scanned.measure.label
    if label.problem:
        return f"not read: {label.problem}"
    mark = f", case mark {label.case_mark}" if label.case_mark else ""
    return f"{label.engraving} ({label.rival.told}){mark}"


def _decision(rod: MeasuredRod) -> tuple[Section, ...]:
    expected, zone = rod.expected, rod.decision.acceptance
    within = "no acceptance zone" if zone is None else (
        f"conforms from {_mm(zone.lower_mm)} to {_mm(zone.upper_mm)} mm"
    )
    told = percent_told(rod.decision.probability)
    return (
        Section(words=(
            f"Rod {grouped(expected.identifier)}: {expected.engraved} {expected.side}, step "
            f"{expected.step}, {plain(expected.length_mm)} ± {plain(expected.tolerance_mm)} mm",
        )),
        Section(
            f"Decision: {rod.result} (within the tolerance with {told}; {within})",
            findings=rod.problems,
        ),
        Section(words=("Fittings and, where not read, the label are still to be looked at",)),
    )


def _rod_data(rod: MeasuredRod) -> dict[str, Any]:
    columns = (
        *only("identifier", "step", "side"), Column(None, "engraved", "label"),
        Column(None, lambda each: str(each.length_mm), "nominal_mm"),
        Column(None, lambda each: str(each.tolerance_mm), "tolerance_mm"),
    )
    return {
        "rod": Table.of(columns, [rod.expected]).records[0],
        "result": rod.result,
        "probability": rod.decision.probability,
        "problems": [problem.message for problem in rod.problems],
    }
