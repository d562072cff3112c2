"""A measured rod as the ledger keeps it, and back."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Any

from labkit.core.case.identifier import grouped
from labkit.core.form.read import from_record
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.jsonable import jsonable
from labkit.errors import LabkitError, RefusedError
from labkit.ledger.forms import MOST_NOTE
from labkit.ledger.stored import StoredReading
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.readings import RodReadings
from labkit.qa.decision.rod_decision import (
    Look,
    MeasuredRod,
    judge_rod,
    reading_problems,
    reading_sd_mm,
)
from labkit.qa.uncertainty import budget_from_json
from labkit.units import plain

if TYPE_CHECKING:
    from labkit.workflow.inspection.inspect import Inspected

#: Of a measurement that is no way of measuring by hand.
SCAN = "scan"
_GAUGE_CHARACTERS = 80


def details_of(bench: Bench, rod: MeasuredRod, more: Mapping[str, Any]) -> dict[str, Any]:
    """Give everything that the record keeps of one measured rod.

    Args:
        more: What else is to be kept, such as `source`; of a scan, what was found in it.

    Returns:
        JSON content. Readings, nominal and tolerance are decimal strings, as written; the length
        has full precision.
    """
    expected, read = rod.expected, rod.readings
    way = None
    if read is not None:
        used = bench.way(read.method)
        way = {
            "method": str(used.method), "shift_mm": float(used.shift_mm),
            "play_mm": float(used.play_mm),
        }  # fmt: skip
    fittings = {True: "yes", False: "no", None: None}[rod.look.fittings]
    return {
        "readings_mm": [str(each) for each in read.readings_mm] if read else [],
        "length_mm": rod.length_mm,
        "nominal_mm": str(expected.length_mm),
        "tolerance_mm": str(expected.tolerance_mm),
        "way": way,
        "gauge_pins_mm": read.gauge_pins_mm if read else None,
        "label_read": rod.look.label,
        "fittings": fittings,
        "instrument": jsonable(bench.instrument(read.instrument)) if read else None,
        "budget": rod.budget.to_json(),
        "temperature_c": read.temperature_c if read else None,
        "material_lot": read.material_lot if read else None,
        "measured_on": jsonable(read.measured_on) if read else None,
        "measured_by": read.measured_by if read else None,
        "checked_on": jsonable(read.checked_on) if read else None,
        "checked_by": read.checked_by if read else None,
        "remark": read.remark if read else "",
        # As it was seen on the day; the decision is worked out anew from length and budget.
        "result": str(rod.result),
        "probability": rod.decision.probability,
        "source": None,
        **more,
    }


def event_body(inspected: Inspected, again: str | None, by: str) -> dict[str, Any]:
    """Give the body of the event that records a measured rod.

    Args:
        again: Why it is measured again, None for the first time.
        by: Operator code of whoever records it; the one who measured where nobody else is told.
    """
    rod, details = inspected.rod, dict(inspected.details)
    details["measured_by"] = details.get("measured_by") or by
    words = [f"measured again: {again}" if again else "", details.pop("remark", "") or ""]
    note = "; ".join(word for word in words if word)
    um = (inspected.value_mm * 1000).to_integral_value(ROUND_HALF_EVEN)
    return {
        "identifier": rod.expected.identifier,
        "quantity": inspected.quantity,
        "value_um": int(um),
        "uncertainty_nm": round(rod.u_mm * 1e6),
        "gauge": inspected.gauge[:_GAUGE_CHARACTERS],
        "note": note[:MOST_NOTE] or None,
        "details": details,
    }


def rod_from_details(bench: Bench, place: Place, reading: StoredReading) -> MeasuredRod:
    """Rebuild a measured rod from the record and decide on it.

    Returns:
        The rod; length and uncertainty are those recorded.

    Raises:
        RefusedError: The reading was recorded in a form that this program does not know, or
            against another nominal length or tolerance.
    """
    details, expected = reading.details, place.expected
    try:
        nominal = (Decimal(details["nominal_mm"]), Decimal(details["tolerance_mm"]))
        rod = _rebuilt(bench, place, reading)
    except (LabkitError, KeyError, TypeError, ValueError, ArithmeticError) as error:
        raise _refused(
            reading, "is recorded in a form that this program does not know; measure the rod again "
            "with --again",
        ) from error  # fmt: skip
    if nominal != (expected.length_mm, expected.tolerance_mm):
        raise _refused(
            reading, f"was taken against {plain(nominal[0])} ± {plain(nominal[1])} mm, but the rod "
            f"is {plain(expected.length_mm)} ± {plain(expected.tolerance_mm)} mm; measure it again "
            "with --again",
        )  # fmt: skip
    return rod


def _refused(reading: StoredReading, what: str) -> RefusedError:
    return RefusedError(
        f"the reading of the rod {grouped(reading.identifier)} (event {reading.stamp.seq}) {what}",
        field="identifier", value=reading.identifier,
    )


def _rebuilt(bench: Bench, place: Place, reading: StoredReading) -> MeasuredRod:
    """Take length and uncertainty as recorded: the way may be converted otherwise by now."""
    details, expected = reading.details, place.expected
    budget, length = budget_from_json(details["budget"]), float(details["length_mm"])
    fittings = {"yes": True, "no": False, None: None}[details["fittings"]]
    if details["way"] is None:
        look = Look(details["label_read"], fittings)
        return judge_rod(expected, length, budget, look=look)
    readings = _readings(reading, fittings)
    way, told = bench.way(readings.method), details["instrument"]
    instrument = None if told is None else from_record(Instrument, told, "instrument")
    sd = reading_sd_mm(instrument, place.gauge_uncertainty_mm, way)
    problems = tuple(reading_problems(expected, readings, way, sd))
    return judge_rod(expected, length, budget, readings=readings, problems=problems)


def _readings(reading: StoredReading, fittings: bool | None) -> RodReadings:
    details = reading.details
    told = details["instrument"]
    return RodReadings(
        identifier=reading.identifier,
        method=Method(details["way"]["method"]),
        readings_mm=tuple(Decimal(each) for each in details["readings_mm"]),
        gauge_pins_mm=details["gauge_pins_mm"],
        label_read=details["label_read"],
        fittings=fittings,
        instrument=None if told is None else told["name"],
        temperature_c=details["temperature_c"],
        material_lot=details["material_lot"],
        measured_on=_day(details["measured_on"]),
        measured_by=details["measured_by"],
        checked_on=_day(details["checked_on"]),
        checked_by=details["checked_by"],
        remark=reading.note,
    )


def _day(text: str | None) -> datetime.date | None:
    return None if text is None else datetime.date.fromisoformat(text)
