"""Readings as `labkit inspect` records them, without a file being read. Invented values."""

from __future__ import annotations

import dataclasses
import datetime
import random
from decimal import Decimal

from labkit.catalog.instruments import gauge_pins, instruments
from labkit.core.gauging.ways_of_measuring import ways_of
from labkit.core.jsonable import jsonable
from labkit.documents.inspection import lines_of
from labkit.documents.set_spec import template_of
from labkit.ledger.events import Kind
from labkit.qa.decision.budget import length_budget
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.rods.slots import slots_of

READINGS = 3
DUE = datetime.date(2031, 9, 30)
#: The lab's own, in calibration; invented as everything here.
MICROMETER = dataclasses.replace(
    instruments()["example-micrometer"], name="micrometer-7", title="Outside micrometer 7",
    evidence="Certificate 4471", example=False, calibration_due=DUE,
)
PINS = dataclasses.replace(
    gauge_pins()["example-pins"], name="pins-2", title="Gauge pins 2", evidence="Certificate 4472",
    example=False, calibration_due=DUE,
)


def scatter(seed):
    """How three readings of a rod lie about their mean, as with this micrometer."""
    dice = random.Random(seed)
    first, second = (Decimal(dice.randint(2, 5)) / 1000 for _ in range(2))
    return first, -second, second - first


def record_reading(
    recorder, rod, error_mm="0", *, corrects=None, by="mo", quantity=None, **details
):
    """Record readings of one rod that measures its label and an error; give the event."""
    ledger = recorder.ledger
    spec = ledger.set_named(rod.set_name).spec.content
    (line,) = (one for one in lines_of(spec) if one.identifier == rod.identifier)
    way = ways_of(template_of(spec))[0]
    length = line.length_mm + Decimal(error_mm)
    budget = length_budget(
        MICROMETER, way, float(length), READINGS, spec["process"].get("expansion_per_c", 1e-4)
    )
    reading = length + way.shift_mm
    body = {
        "identifier": rod.identifier,
        "quantity": quantity or str(way.method),
        "value_um": round(reading * 1000),
        "uncertainty_nm": round(budget.combined_mm * 1e6),
        "gauge": MICROMETER.name,
        "note": None if corrects is None else "measured again",
        "details": {
            "readings_mm": [f"{reading + off}" for off in scatter(rod.identifier)],
            "length_mm": float(length),
            "nominal_mm": str(line.length_mm),
            "tolerance_mm": str(line.tolerance_mm),
            "way": {"method": str(way.method), "shift_mm": float(way.shift_mm),
                    "play_mm": float(way.play_mm)},
            "gauge_pins_mm": " ".join(f"{p}" for p in dict.fromkeys(way.gauge_pins_mm)) or None,
            "label_read": line.engraved,
            "fittings": "yes",
            "look": [],
            "instrument": jsonable(MICROMETER),
            "gauge_pins": jsonable(PINS),
            "budget": budget.to_json(),
            "temperature_c": 20.5,
            "material_lot": "B-07",
            "measured_on": "2031-03-20",
            "measured_by": "mo",
            "checked_on": "2031-03-21",
            "checked_by": "kim",
            "source": None,
            **details,
        },
    }
    return ledger.record(Kind.READING, rod.case, body, by, recorder.now(), corrects)


def measure_all(recorder, case, errors=(), set_name=None):
    """Record readings of every rod that fills a place of a set and has none yet."""
    ledger, known = recorder.ledger, dict(errors)
    stored = set_to_judge(ledger, case, set_name)
    for slot in slots_of(ledger, stored):
        if slot.filled and not ledger.readings(slot.rod.identifier):
            record_reading(recorder, slot.rod, known.get((slot.step, slot.side), "0"))
    return stored
