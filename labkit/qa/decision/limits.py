"""What a reading must be, before anyone measures: acceptance limits for a gauge and a way."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import PRINTED_MM, Role, Way
from labkit.qa.decision.budget import length_budget, plain_budget
from labkit.qa.decision.conformance import Zone, acceptance_zone, rejection_zone
from labkit.qa.decision.temperature import Correction, correction_of
from labkit.qa.uncertainty import Budget

#: Readings of each rod that the inspection form has room for.
READINGS = 3
#: A scale's step is at most this part of the whole tolerance: the rule of tens (AIAG as quoted in a
#: manual; NPL calls it the 10 % rule).
STEPS_IN_TOLERANCE = 10
#: Length and tolerance, ±, of a rod, mm.
Nominal = tuple[Decimal, Decimal]


@dataclass(frozen=True)
class Gauge:
    """What rods are measured with.

    Args:
        instrument: The instrument, None for the usual gauge of the process.
        uncertainty_mm: Standard uncertainty of that usual gauge, by the process file.
    """

    instrument: Instrument | None
    uncertainty_mm: float
    expansion_per_c: float
    readings: int = READINGS
    expansion_u_per_c: float | None = None

    @property
    def name(self) -> str:
        """The gauge in sentences."""
        return self.instrument.name if self.instrument else "the usual gauge of the process"

    def serves(self, way: Way) -> bool:
        """Tell whether rods can be measured this way and decided on."""
        able = self.instrument is None or self.instrument.serves(way.method)
        return able and way.role is not Role.CHECK

    def correction(self, celsius: float | None) -> Correction | None:
        """Give the correction of a recorded temperature; see `correction_of`."""
        return correction_of(
            self.instrument, celsius, self.expansion_per_c, self.expansion_u_per_c
        )

    def budget(
        self, way: Way, length_mm: Decimal, corrected: Correction | None = None
    ) -> Budget:
        """Give the budget of a length measured this way.

        Raises:
            RefusedError: The instrument does not serve the way.
        """
        if self.instrument is None:
            return plain_budget(self.uncertainty_mm, way)
        return length_budget(
            self.instrument, way, float(length_mm), self.readings, self.expansion_per_c, corrected
        )


@dataclass(frozen=True)
class RodLimits:
    """Limits of one rod, of its length and of the reading.

    Args:
        acceptance: Lengths that conform; None where the gauge is too coarse.
        rejection: Lengths outside of it do not conform.
    """

    length_mm: Decimal
    tolerance_mm: Decimal
    way: Way
    budget: Budget
    acceptance: Zone | None
    rejection: Zone

    @property
    def specification_mm(self) -> tuple[Decimal, Decimal]:
        """Specification limits of the length."""
        return self.length_mm - self.tolerance_mm, self.length_mm + self.tolerance_mm

    @property
    def accepted_mm(self) -> tuple[Decimal, Decimal] | None:
        """Acceptance limits of the length, rounded inwards to 0.001 mm."""
        return printed_zone_mm(self.acceptance, self.length_mm)

    @property
    def accepted_reading_mm(self) -> tuple[Decimal, Decimal] | None:
        """Acceptance limits of the mean reading, rounded inwards to 0.001 mm."""
        return printed_zone_mm(self.acceptance, self.length_mm + self.way.shift_mm)

    @property
    def specification_reading_mm(self) -> tuple[Decimal, Decimal]:
        """The reading that stands for each specification limit; see `Way.shift_mm`."""
        lower, upper = self.specification_mm
        return lower + self.way.shift_mm, upper + self.way.shift_mm


def printed_zone_mm(zone: Zone | None, middle_mm: Decimal) -> tuple[Decimal, Decimal] | None:
    """Round an acceptance zone inwards to 0.001 mm, so that what is printed never accepts more.

    Args:
        zone: The zone; None where the gauge is too coarse.
        middle_mm: Its exact middle, or where that is to be moved to, such as to the reading.

    Returns:
        Its limits; None where nothing is left between them.

    >>> printed_zone_mm(Zone(33.1700115, 33.4299885), Decimal("33.3"))
    (Decimal('33.171'), Decimal('33.429'))
    """
    if zone is None:
        return None
    # Half the zone about the exact middle: the limits of one rod are alike on both sides.
    half = (Decimal(zone.upper_mm) - Decimal(zone.lower_mm)) / 2
    lower = (middle_mm - half).quantize(PRINTED_MM, ROUND_CEILING)
    upper = (middle_mm + half).quantize(PRINTED_MM, ROUND_FLOOR)
    return (lower, upper) if lower <= upper else None


def rod_limits(length_mm: Decimal, tolerance_mm: Decimal, way: Way, gauge: Gauge) -> RodLimits:
    """Work out the limits of one rod.

    Returns:
        The limits; no acceptance zone for a way that is a mere check.

    Raises:
        RefusedError: The instrument does not serve the way.

    Source: ISO 14253-1:2017, 5; JCGM 106:2012, 8 (see `labkit.qa.decision.conformance`).
    """
    budget = gauge.budget(way, length_mm)
    u, dof, half = budget.combined_mm, budget.effective_dof, float(tolerance_mm)
    # About 0: a long rod costs no digits, and rods of one tolerance share their zones.
    zone = None if way.role is Role.CHECK else acceptance_zone(-half, half, u, dof=dof)
    return RodLimits(
        length_mm, tolerance_mm, way, budget,
        _moved(zone, length_mm) if zone else None,
        _moved(rejection_zone(-half, half, u, dof=dof), length_mm),
    )


def decides(way: Way, gauge: Gauge, rods: Iterable[Nominal]) -> bool:
    """Tell whether a gauge leaves an acceptance zone for every one of some rods.

    Returns:
        False, too, where the gauge does not serve the way or the way is a mere check.
    """
    if not gauge.serves(way):
        return False
    return all(rod_limits(*rod, way, gauge).accepted_mm for rod in set(rods))


def best_way(ways: Sequence[Way], gauge: Gauge, rods: Iterable[Nominal]) -> Way | None:
    """Pick the first way in which a gauge decides on every one of some rods.

    Args:
        ways: Ways of a template, the first choice first.

    Returns:
        The way; where none decides the one with the least uncertainty; None where none is served.
    """
    served, wanted = [way for way in ways if gauge.serves(way)], set(rods)
    deciding = next((way for way in served if decides(way, gauge, wanted)), None)
    if deciding or not wanted:
        return deciding
    longest, _ = max(wanted)
    return min(served, key=lambda way: gauge.budget(way, longest).combined_mm, default=None)


def coarse_scale(gauge: Gauge, tolerance_mm: Decimal) -> bool:
    """Tell whether the instrument's steps are too wide for a tolerance by the rule of tens.

    Formula: δ > 2 t / 10.

    Returns:
        False where no instrument is named.
    """
    if gauge.instrument is None:
        return False
    step = Decimal(repr(gauge.instrument.resolution_mm))
    return step * STEPS_IN_TOLERANCE > 2 * tolerance_mm


def _moved(zone: Zone, by_mm: Decimal) -> Zone:
    return Zone(zone.lower_mm + float(by_mm), zone.upper_mm + float(by_mm))
