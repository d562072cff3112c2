"""A measured rod as the ledger keeps it, and back."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable, Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.form.read import from_record
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.jsonable import jsonable
from labkit.errors import LabkitError, RefusedError
from labkit.ledger.body_keys import MOST_NOTE
from labkit.ledger.stored import LOOKED_AT, StoredReading
from labkit.qa.decision.bench import Bench
from labkit.qa.decision.readings import RodReadings, Source
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod
from labkit.qa.uncertainty import budget_from_json
from labkit.units import plain

_GAUGE_CHARACTERS = 80
#: Lengths of scans are kept to the micrometre in queries; the details hold what was measured.
_MICROMETRE = Decimal("0.001")
#: Fields of a reading that stand elsewhere in the event.
_ELSEWHERE = {"identifier", "method", "remark"}
#: How the note on a rod that was measured again begins.
AGAIN = "measured again: "
_FITTINGS = {True: "yes", False: "no", None: None}
#: Fields of a reading that JSON cannot hold as they are: what is kept, and back again.
_KEPT: Mapping[str, tuple[Callable[[Any], Any], Callable[[Any], Any]]] = {
    "readings_mm": (lambda own: [str(one) for one in own], lambda own: tuple(map(Decimal, own))),
    "fittings": (_FITTINGS.get, {word: value for value, word in _FITTINGS.items()}.__getitem__),
    "instrument": (jsonable, lambda told: from_record(Instrument, told, "instrument")),
    "gauge_pins": (jsonable, lambda told: from_record(GaugePins, told, "gauge pins")),
    "look": (list, tuple),
    "measured_on": (jsonable, datetime.date.fromisoformat),
    "checked_on": (jsonable, datetime.date.fromisoformat),
    "use_before": (jsonable, datetime.date.fromisoformat),
    "source": (jsonable, lambda told: Source(**told)),
}
READING_FIELDS = tuple(
    field for field in dataclasses.fields(RodReadings) if field.name not in _ELSEWHERE
)


def event_body(one: Inspected, again: str | None, by: str) -> dict[str, Any]:
    """Give the body of the event that records a rod as measured, or as looked at.

    Args:
        again: Why it is measured again, None for the first time.
        by: Operator code of whoever records it; the one who measured where nobody else is told.
    """
    if isinstance(one, RodReadings):
        return {
            "identifier": one.identifier, "quantity": LOOKED_AT, "value_um": 0, "gauge": "by eye",
            "note": _note(one, again),
            "details": {**_kept(one), "measured_by": one.measured_by or by},
        }
    rod, read = one, one.readings
    value = read.mean_mm if read.readings_mm else Decimal(repr(rod.length_mm)).quantize(_MICROMETRE)
    usual = "scan, scanner not named" if rod.way is None else "usual gauge of the process"
    gauge = read.instrument.name if read.instrument else usual
    return {
        "identifier": read.identifier,
        "quantity": read.way_told,
        "value_um": int((value * 1000).to_integral_value(ROUND_HALF_EVEN)),
        "uncertainty_nm": round(rod.u_mm * 1e6),
        "gauge": gauge[:_GAUGE_CHARACTERS],
        "note": _note(read, again),
        "details": {**_details(rod), "measured_by": read.measured_by or by},
    }


def _note(read: RodReadings, again: str | None) -> str | None:
    words = [f"{AGAIN}{again}" if again else "", read.remark]
    return "; ".join(word for word in words if word)[:MOST_NOTE] or None


def _kept(read: RodReadings) -> dict[str, Any]:
    """Give the fields of readings as the record keeps them; those that came later where told."""
    return {
        field.name: _KEPT.get(field.name, (jsonable,))[0](getattr(read, field.name))
        for field in READING_FIELDS
        if not (field.metadata and getattr(read, field.name) == field.default)
    } | ({"remark": read.remark} if read.remark else {})


def _details(rod: MeasuredRod) -> dict[str, Any]:
    """Give everything that the record keeps of one measured rod.

    Returns:
        JSON content. Readings, nominal and tolerance are decimal strings, as written; the length
        is not rounded to them.
    """
    return {
        **_kept(rod.readings),
        "length_mm": rod.length_mm,
        "nominal_mm": str(rod.expected.length_mm),
        "tolerance_mm": str(rod.expected.tolerance_mm),
        "way": None if rod.way is None else {
            "method": str(rod.way.method), "shift_mm": float(rod.way.shift_mm),
            "play_mm": float(rod.way.play_mm),
        },
        "budget": rod.budget.to_json(),
        # As it was seen on the day; the decision is worked out anew from length and budget.
        "result": str(rod.result),
        "probability": rod.decision.probability,
    }


def rod_from_details(bench: Bench, reading: StoredReading) -> MeasuredRod:
    """Rebuild a measured rod from the record and decide on it.

    Returns:
        The rod; length and uncertainty are those recorded: the way may be converted otherwise by
        now.

    Raises:
        RefusedError: The reading was recorded in a form that this program does not know, or
            against another nominal length or tolerance.
    """
    details = reading.details
    try:
        nominal = (Decimal(details["nominal_mm"]), Decimal(details["tolerance_mm"]))
        measured = (float(details["length_mm"]), budget_from_json(details["budget"]))
        readings = readings_told(reading)
        way = None if readings.method is None else bench.way(readings.method)
        rod = bench.judged(readings, way, measured)
    except (LabkitError, KeyError, TypeError, ValueError, ArithmeticError) as error:
        raise _refused(
            reading, "is recorded in a form that this program does not know; measure the rod again "
            "with --again",
        ) from error
    expected = rod.expected
    if nominal != (expected.length_mm, expected.tolerance_mm):
        raise _refused(
            reading, f"was taken against {plain(nominal[0])} ± {plain(nominal[1])} mm, but the rod "
            f"is {plain(expected.length_mm)} ± {plain(expected.tolerance_mm)} mm; measure it again "
            "with --again",
        )
    return rod


def _refused(reading: StoredReading, what: str) -> RefusedError:
    return RefusedError(
        f"the reading of the rod {grouped(reading.identifier)} (entry {reading.stamp.seq}) {what}",
        field="identifier", value=reading.identifier,
    )


def readings_told(reading: StoredReading) -> RodReadings:
    """Give what a reading of the record told, also of a rod that was only looked at."""
    details, told = reading.details, dict[str, Any]()
    for field in READING_FIELDS:
        # What a decision needs is never absent; a field that came later may be.
        if field.name in details or not (
            field.metadata or field.name == "source" or reading.quantity == LOOKED_AT
        ):
            kept, (_, back) = details[field.name], _KEPT.get(field.name, (None, _as_it_is))
            told[field.name] = None if kept is None else back(kept)
    way = details.get("way") if reading.quantity == LOOKED_AT else details["way"]
    method = None if way is None else Method(way["method"])
    return RodReadings(
        identifier=reading.identifier, method=method, remark=remark_of(reading), **told
    )


def remark_of(reading: StoredReading) -> str:
    """Give the remark on a reading; records of earlier programs have it after the reason."""
    if "remark" in reading.details or not reading.note.startswith(AGAIN.rstrip(": ")):
        return str(reading.details.get("remark", reading.note))
    return reading.note.partition("; ")[2]


def _as_it_is(value: Any) -> Any:
    return value
