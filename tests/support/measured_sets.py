"""Sets of measured rods by their lengths, for the rules of a set. Invented."""

from __future__ import annotations

import datetime
import math
from decimal import Decimal

from labkit.core.case.identifier import rod_identifier
from labkit.core.gauging.instruments import Instrument, InstrumentKind
from labkit.core.gauging.ways_of_measuring import Method
from labkit.qa.decision.readings import Expected, RodReadings
from labkit.qa.decision.rod_decision import judge_rod
from labkit.qa.uncertainty import Budget, Component

#: A scanner that decides; its errors are far below those that the tests look at.
SCANNER = Instrument(
    name="desk-scanner", title="Desk scanner", kind=InstrumentKind.SCANNER, resolution_mm=0.001,
    calibration_mm=0.001, calibration_dof=None, repeatability_mm=0.001, repeatability_dof=None,
    temperature_c=2.0, difference_c=0.5, expansion_per_c=0.0, methods=(Method.CENTRES,),
    calibration_due=datetime.date(2032, 1, 31), evidence="Invented", form_mm=0.001,
)
LONGEST = Decimal("34.0")


def places(steps=6, step=0.7, tolerance=0.15, right=0.0, mark=False):
    """Places of a set, by step, left before right."""
    return [
        Expected(
            identifier=rod_identifier("ab" * 32, 1, number, side),
            step=number,
            side=side,
            label=f"{length}",
            mark=side[0].upper() if mark else "",
            length_mm=length,
            tolerance_mm=Decimal(repr(tolerance)),
        )
        for number in range(1, steps + 1)
        for side in ("left", "right")
        for length in (
            (LONGEST - (number - 1) * Decimal(repr(step))
             + (Decimal(repr(right)) if side == "right" else 0)),
        )
    ]


def budget(u):
    return Budget((Component("gauge", u, math.inf, "B", "invented"),))


def scanned(place, length, u=0.02, label=None, fittings=None):
    """A rod of that length by a scan, with what was seen on it."""
    readings = RodReadings(
        place.identifier, None, label_read=label, fittings=fittings, instrument=SCANNER,
        look=None if fittings is None else (),
    )
    return judge_rod(place, readings, None, (float(length), budget(u)))


def measured_set(lengths, *, u=0.02, looks=None, **kinds):
    """Rods of these lengths, by step, left before right, everything else right."""
    expected = places(len(lengths) // 2, **kinds)
    looks = looks or {}  # label as read and whether the fittings are good, by place
    return [
        scanned(place, length, u, *looks.get(at, (place.engraved, True)))
        for at, (place, length) in enumerate(zip(expected, lengths, strict=True))
    ]
