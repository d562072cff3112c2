"""What lies on the bench: the rods of a set, the ways to measure them, the instruments."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from labkit.core.case.identifier import grouped
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.core.numbers import Finite
from labkit.errors import InputError
from labkit.qa.decision.budget import rod_between_faces_mm
from labkit.qa.decision.limits import READINGS, Gauge
from labkit.qa.decision.readings import Expected, RodReadings
from labkit.qa.decision.rod_decision import MeasuredRod, judge_rod, reading_sd_mm
from labkit.qa.uncertainty import Budget


@dataclass(frozen=True)
class Place(Finite):
    """One place of a set, the rod that fills it, and how that rod was made.

    Args:
        expected: The rod; its step is the place's in the set that is decided on.
        revision: Revision of the set that the rod was made in; a replacement has a later one.
        form_step: The rod's step on the inspection form of that revision.
        gauge_uncertainty_mm: Standard uncertainty of the usual gauge, by the process file.
    """

    expected: Expected
    revision: int
    form_step: int
    gauge_uncertainty_mm: float
    expansion_per_c: float
    expansion_u_per_c: float | None = None

    @property
    def identifier(self) -> str:
        """Ten digits of the rod."""
        return self.expected.identifier

    def gauge(self, instrument: Instrument | None = None, readings: int = READINGS) -> Gauge:
        """Give what the rod is measured with; without an instrument the usual gauge."""
        return Gauge(
            instrument, self.gauge_uncertainty_mm, self.expansion_per_c, readings,
            self.expansion_u_per_c,
        )

    def sd_mm(self, way: Way, instrument: Instrument | None) -> float:
        """Give the standard deviation of one reading; see `reading_sd_mm`."""
        return reading_sd_mm(instrument, self.gauge_uncertainty_mm, way)


@dataclass(frozen=True)
class Bench:
    """A set to be measured.

    Args:
        places: Its places, by step, left before right.
    """

    case: str
    set_name: str
    places: tuple[Place, ...]
    ways: tuple[Way, ...]
    first: Method
    made_on: datetime.date
    instruments: Mapping[str, Instrument] = field(default_factory=dict)

    @cached_property
    def by_identifier(self) -> Mapping[str, Place]:
        """The places by the identifier of the rod that fills them."""
        return {place.identifier: place for place in self.places}

    def way(self, method: Method) -> Way:
        """Give a way of measuring.

        Raises:
            InputError: The template has no such way; those that it has are named.
        """
        for way in self.ways:
            if way.method is method:
                return way
        known = ", ".join(way.method for way in self.ways)
        raise InputError(
            f'"{method}" is not a way to measure this rod template; measure {known}',
            field="way", value=str(method), allowed=known,
        )

    def measured(self, readings: RodReadings) -> MeasuredRod:
        """Decide on a rod from readings taken by hand.

        Formula: L = mean(R) − shift, the shift of the way of measuring in the middle of its bounds;
        corrected to 20 °C where the temperature was recorded and its effect is known.

        Raises:
            InputError: The rod is none of the set, or the way none of the template.
            RefusedError: The instrument does not serve the way, or nothing covers the temperature.
        """
        place = self.by_identifier.get(readings.identifier)
        if place is None:
            raise InputError(
                f"the rod {grouped(readings.identifier)} is not one of the set {self.set_name}",
                field="identifier", value=readings.identifier,
            )
        assert readings.method is not None
        way, count = self.way(readings.method), len(readings.readings_mm)
        way = way if readings.gauge_pins is None else readings.gauge_pins.measuring(way)
        gauge = place.gauge(readings.instrument, count)
        length = float(readings.mean_mm - way.shift_mm)
        corrected = gauge.correction(readings.temperature_c)
        budget = gauge.budget(way, place.expected.length_mm, corrected)
        if corrected is not None:
            length += corrected.change_mm(rod_between_faces_mm(way, length))
        return self.judged(readings, way, (length, budget))

    def judged(
        self, readings: RodReadings, way: Way | None, measured: tuple[float, Budget]
    ) -> MeasuredRod:
        """Decide on a rod of the set whose length is known.

        Args:
            way: Way of measuring, None for a scan.
            measured: Functional length, mm, and its uncertainty.
        """
        place = self.by_identifier[readings.identifier]
        sd = place.sd_mm(way, readings.instrument) if way else 0.0
        return judge_rod(place.expected, readings, way, measured, sd)
