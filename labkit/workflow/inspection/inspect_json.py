"""An inspected set as JSON content, for `labkit inspect --json`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.core.jsonable import jsonable
from labkit.qa.decision.conformance import DECISION_RULE, Decision
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.decision.sides_and_steps import SideDifference, StepSize
from labkit.workflow.inspection.inspect import Inspection


def inspection_json(
    inspection: Inspection, recorded: Mapping[str, int], by: str | None
) -> dict[str, Any]:
    """Give an inspected set as one JSON object.

    Args:
        recorded: Identifier → number of the event just recorded; empty where nothing was.
        by: Operator code of whoever recorded it, None where nothing was.

    Returns:
        The object; lengths asked for are decimal strings, measured ones full-precision numbers.
    """
    decision, events = inspection.decision, _events(inspection, recorded)
    return {
        "schema": 1,
        "case": inspection.stored.case,
        "set": inspection.stored.name,
        "result": str(decision.result),
        "rule": DECISION_RULE,
        "recorded": [
            {"identifier": identifier, "event": seq} for identifier, seq in recorded.items()
        ],
        "by": by,
        "rods": [_rod(rod, events.get(rod.expected.identifier)) for rod in decision.rods],
        "not_measured": [place.identifier for place in decision.missing],
        "empty": [
            {"identifier": slot.rod.identifier, "state": slot.rod.state}
            for slot in inspection.empty
        ],
        "differences": [_difference(each) for each in decision.differences],
        "side_tolerance_stated": inspection.side_tolerance_stated,
        "steps": [_step(each) for each in decision.steps],
        "held": sorted(decision.held),
        "findings": [jsonable(finding) for finding in decision.findings],
    }


def _events(inspection: Inspection, recorded: Mapping[str, int]) -> dict[str, int]:
    earlier = {rod: reading.stamp.seq for rod, reading in inspection.recorded.items()}
    return {**earlier, **recorded}


def _rod(rod: MeasuredRod, event: int | None) -> dict[str, Any]:
    expected, read = rod.expected, rod.readings
    return {
        "identifier": expected.identifier,
        "step": expected.step,
        "side": expected.side,
        "label": expected.engraved,
        "nominal_mm": str(expected.length_mm),
        "tolerance_mm": str(expected.tolerance_mm),
        "way": str(read.method) if read else "scan",
        "readings_mm": [str(each) for each in read.readings_mm] if read else [],
        "instrument": read.instrument if read else None,
        "length_mm": rod.length_mm,
        **_decided(rod.decision),
        "label_read": rod.look.label,
        "fittings_within_limits": rod.look.fittings,
        "rod_result": str(rod.result),
        "event": event,
    }


def _decided(decision: Decision) -> dict[str, Any]:
    zone = decision.acceptance
    return {
        "u_mm": decision.u_mm,
        "acceptance_mm": None if zone is None else [zone.lower_mm, zone.upper_mm],
        "probability": decision.probability,
        "result": str(decision.result),
    }


def _difference(each: SideDifference) -> dict[str, Any]:
    return {
        "step": each.step,
        "difference_mm": each.difference_mm,
        "tolerance_mm": str(each.tolerance_mm),
        **_decided(each.decision),
    }


def _step(each: StepSize) -> dict[str, Any]:
    return {
        "side": each.side,
        "first": each.first.expected.step,
        "second": each.second.expected.step,
        "nominal_mm": str(each.nominal_mm),
        "measured_mm": each.measured_mm,
        "u_mm": each.u_mm,
    }
