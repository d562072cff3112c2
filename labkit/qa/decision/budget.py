"""The uncertainty budget of a rod's functional length for an instrument and a way of measuring."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.core.rod.fittings import PIN_TOLERANCE_MM
from labkit.errors import InputError, RefusedError
from labkit.qa.decision.temperature import Correction
from labkit.qa.uncertainty import Budget, Component, resolution, uniform
from labkit.units import counted, plain

#: Names of the components, in the order of a budget.
RESOLUTION, CALIBRATION, REPEATABILITY = "resolution", "calibration", "repeatability"
REPRODUCIBILITY = "reproducibility"
ROOM, FITTINGS = "room temperature", "fittings"
DIFFERENCE = "rod and gauge at different temperatures"
GAUGE = "gauge"


@dataclass(frozen=True)
class _Weights:
    """How often an instrument's errors enter one length, as factors on a standard uncertainty.

    Args:
        averaged: Errors anew with each value, variance of one value.
        once: Errors anew with each reading that is taken only once, variance.
        calibration: Errors of the scale, factor.
        why: What the way does, in words; empty where one reading is one value.
    """

    averaged: float = 1.0
    once: float = 0.0
    resolution: float = 1.0
    calibration: float = 1.0
    why: str = ""


_ONE_READING = _Weights()
_WEIGHTS = {
    # Two readings in each value, so half the variance. Both are near one place of one scale:
    # its error is the same in both and does not shrink.
    Method.HALF_SUM: _Weights(
        averaged=0.5, resolution=math.sqrt(0.5), why="two readings in each value"
    ),
    # R less the half-sum of two diameters. The diameters may have been measured once for all
    # values, so their variance, ¼ + ¼, is not divided by the number of values. Their two scale
    # errors are one (same place of the scale), another than that of R.
    Method.OVER_LESS_OWN: _Weights(
        once=0.5, resolution=math.sqrt(1.5), calibration=math.sqrt(2),
        why="and two diameters, each measured at least once",
    ),
}


def length_budget(
    instrument: Instrument, way: Way, length_mm: float, readings: int, expansion_per_c: float,
    corrected: Correction | None = None,
) -> Budget:
    """Work out the uncertainty of a functional length, mean of several readings.

    Formula: L = mean(R) − shift. Components, all as standard uncertainties of L:
    resolution δ/√12, not divided by √n (a rod that repeats well is rounded alike each time);
    calibration; repeatability s/√n; reproducibility (who measures), which no further reading by the
    same hand lessens; room |α_rod − α_gauge| · ℓ · θ/√3 and difference
    α_rod · ℓ · Δ/√3, where ℓ is how much rod lies between the measuring faces; the fittings'
    sizes, play/√3. A correction to 20 °C brings its own terms in place of the room's. The half-sum
    and the ball's own diameter take more readings: see `_WEIGHTS`.

    Args:
        way: How; its play holds what gauge pins let through and the tolerances of balls and
            crosspins already, so that no gauge pin is counted a second time.
        readings: Number n of values that the mean is of.
        expansion_per_c: Thermal expansion α_rod of the rod's material, 1/°C.
        corrected: How the length is corrected to 20 °C; None where it is not.

    Validity: readings taken with the rod put in anew each time; rod and gauge within the
    instrument's stated temperatures about 20 °C, or corrected for them; fittings within their
    own limits (a rod whose fittings are not is set aside). Both fittings of one rod come out of one
    process and may be off alike, hence the whole play as one uniform distribution.

    Raises:
        RefusedError: The instrument does not serve this way.
        InputError: No reading, or a length or an expansion that cannot be.

    Source: JCGM 100:2008 (GUM), 4.3, 5.1, F.2.2.1, H.1; ISO 1 for 20 °C.
    """
    if not instrument.serves(way.method):
        served = ", ".join(instrument.methods)
        raise RefusedError(
            f'instrument {instrument.name} does not measure "{way.method}" ({way.title}); it '
            f"serves {served}; name one of these ways or another instrument",
            field="method", value=str(way.method), allowed=served,
        )
    _check(length_mm, readings, expansion_per_c)
    weights = _WEIGHTS.get(way.method, _ONE_READING)
    return Budget((
        *_scale(instrument, readings, weights),
        *_hand(instrument, weights),
        *_temperature(
            instrument, rod_between_faces_mm(way, length_mm), expansion_per_c, corrected
        ),
        *_fittings(way),
    ))


def plain_budget(gauge_uncertainty_mm: float, way: Way) -> Budget:
    """Work out the uncertainty where no instrument is named: the process's gauge and the fittings.

    Args:
        gauge_uncertainty_mm: Standard uncertainty of a length reading, from the process file.

    Validity: the stated uncertainty holds for this way of measuring, temperature included.
    """
    return Budget((
        Component(
            GAUGE, gauge_uncertainty_mm, math.inf, "B",
            f"{plain(gauge_uncertainty_mm)} mm, the lab's usual gauge by its process file",
        ),
        *_fittings(way),
    ))


def _check(length_mm: float, readings: int, expansion_per_c: float) -> None:
    if readings < 1:
        raise InputError(
            "a length needs at least one reading", field="readings", value=readings,
            allowed="1 or more",
        )
    for field, what, value, unit, holds, allowed in (
        ("length_mm", "length", length_mm, "mm", length_mm > 0, "above 0"),
        ("expansion_per_c", "thermal expansion", expansion_per_c, "1/°C", expansion_per_c >= 0,
         "0 or more"),
    ):
        if not (math.isfinite(value) and holds):
            raise InputError(
                f"a {what} of {value} {unit} cannot be; it must be {allowed}",
                field=field, value=value, allowed=allowed,
            )


def _scale(
    instrument: Instrument, readings: int, weights: _Weights
) -> tuple[Component, Component, Component]:
    """Resolution, calibration and repeatability."""
    more = f", {weights.why}" if weights.why else ""
    variance = weights.averaged / readings + weights.once
    return (
        Component(
            RESOLUTION, weights.resolution * resolution(instrument.resolution_mm), math.inf, "B",
            f"steps of {plain(instrument.resolution_mm)} mm, / √12{more}",
        ),
        Component(
            CALIBRATION, weights.calibration * instrument.calibration_mm,
            _dof(instrument.calibration_dof), "B",
            f"{plain(instrument.calibration_mm)} mm, calibration of {instrument.name}"
            f"{more if weights.calibration > 1 else ''}",
        ),
        Component(
            REPEATABILITY, math.sqrt(variance) * instrument.repeatability_mm,
            _dof(instrument.repeatability_dof), "A",
            f"{plain(instrument.repeatability_mm)} mm for one reading, "
            f"mean of {counted(readings, 'value')}{more}",
        ),
    )


def _hand(instrument: Instrument, weights: _Weights) -> tuple[Component, ...]:
    """What another operator would read: an error of the hand, weighed as one of the scale."""
    if instrument.reproducibility_mm is None:
        return ()
    sd = instrument.reproducibility_mm
    return (Component(
        REPRODUCIBILITY, weights.calibration * sd, _dof(instrument.reproducibility_dof), "A",
        f"{plain(sd)} mm between operators",
    ),)


def _temperature(
    instrument: Instrument, rod_mm: float, expansion_per_c: float, corrected: Correction | None
) -> tuple[Component, ...]:
    """First order in both temperatures; without a correction the expansions' doubt is of second."""
    unlike = abs(expansion_per_c - instrument.expansion_per_c)
    room = Component(
        ROOM, unlike * rod_mm * uniform(instrument.temperature_c), math.inf, "B",
        f"20 ± {plain(instrument.temperature_c)} °C, rod and scale expand differently",
    )
    return (
        *((room,) if corrected is None else corrected.components(rod_mm)),
        Component(
            DIFFERENCE, expansion_per_c * rod_mm * uniform(instrument.difference_c), math.inf, "B",
            f"± {plain(instrument.difference_c)} °C",
        ),
    )


def rod_between_faces_mm(way: Way, length_mm: float) -> float:
    """Give how much of the rod's material lies between the measuring faces.

    Over gauge pins that is the reading less the pins, between them the reading and the pins; where
    sizes cancel it is the length itself.
    """
    reading, pins = length_mm + float(way.shift_mm), float(sum(way.gauge_pins_mm))
    if way.method is Method.OVER:
        return reading - pins
    return reading + pins if way.method is Method.BETWEEN else reading


def _fittings(way: Way) -> tuple[Component, ...]:
    if way.play_mm == 0:
        return ()
    play = float(way.play_mm)
    usual = way.pin_tolerance_mm == PIN_TOLERANCE_MM
    which = "" if usual else f" (− {plain(way.pin_tolerance_mm)} mm)"
    pins = f", bores as their gauge pins{which} let through" if way.gauge_pins_mm else ""
    return (
        Component(
            FITTINGS, uniform(play), math.inf, "B",
            f"± {plain(play)} mm, sizes of fittings within their limits{pins}",
        ),
    )


def _dof(dof: float | None) -> float:
    return math.inf if dof is None else dof
