"""A release as recorded, for tests of the certificate, without a ledger. Invented values."""

from __future__ import annotations

from labkit.documents.certificate import Release
from labkit.documents.inspection import lines_of
from labkit.qa.decision.conformance import DECISION_RULE

BUDGET = [
    {"name": "resolution", "u_mm": 0.0003, "dof": None, "kind": "B", "basis": "steps of 0.001 mm"},
    {"name": "repeatability", "u_mm": 0.0023, "dof": 24, "kind": "A", "basis": "0.004 mm, once"},
]
INSTRUMENT = {
    "name": "m-7", "title": "Outside micrometer", "calibration_due": "2031-09-30",
    "evidence": "certificate 4471",
}
NOTE = "the steps of the left side are uneven"


def rod_of(line, **changes):
    """Give what a release rests on for one rod."""
    length = float(line.length_mm)
    return {
        "identifier": line.identifier, "set": "QF-1043-r1", "step": line.step, "side": line.side,
        "label": line.engraved, "length_mm": str(line.length_mm),
        "tolerance_mm": str(line.tolerance_mm), "replaced": [], "reading_events": [7],
        "recorded": {"event": 7, "at": "2031-03-20T09:00:00.000000Z", "by": "mo"},
        "way": "over", "readings_mm": [f"{length + 2.488:.3f}"] * 3, "gauge_pins_mm": "2.50",
        "label_read": line.engraved, "fittings": "yes", "temperature_c": 20.5,
        "material_lot": "B-07", "measured_on": "2031-03-20", "measured_by": "mo",
        "checked_on": "2031-03-21", "checked_by": "lee", "source": None, "instrument": INSTRUMENT,
        "measured_mm": length + 0.0104, "u_mm": 0.0093, "dof": 5070, "coverage_factor": 1.96,
        "expanded_mm": 0.0183, "budget": BUDGET, "acceptance_mm": [length - 0.13441,
        length + 0.13449], "conformance_probability": 0.998764, "result": "conforms", **changes,
    }


def release_of(spec, *, each=lambda number, line: {}, note="", notes=(NOTE,)):
    """Give a release of every rod of a set; `each` changes single rods."""
    lines = lines_of(spec)
    steps = sorted({line.step for line in lines})
    basis = {
        "schema": 1, "set_revision": spec["revision"], "prescription_revision": 1,
        "template": {name: spec["template"][name] for name in ("name", "title")},
        "process": {n: spec["process"][n] for n in ("name", "title", "machine", "material")},
        "probability": 0.95, "decision_rule": DECISION_RULE,
        "rods": [rod_of(line, **each(number, line)) for number, line in enumerate(lines)],
        "differences": [
            {"step": step, "difference_mm": -0.0123, "u_mm": 0.0131, "tolerance_mm": "0.15",
             "acceptance_mm": [-0.1, 0.1], "conformance_probability": 0.99999999999,
             "result": "conforms"}
            for step in steps
        ],
        "notes": list(notes),
    }
    return Release(
        "QF-1043-r1", 16, "2031-03-22T10:00:00.000000Z", "kim", "ab12" * 16, note, basis,
        "5e" * 32,
    )
