"""What lies on the bench: the rods of a set, the ways to measure them, the instruments."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from labkit.core.case.identifier import grouped
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.core.numbers import require_finite
from labkit.errors import InputError
from labkit.qa.decision.limits import READINGS, Gauge
from labkit.qa.decision.readings import Expected, RodReadings
from labkit.qa.decision.rod_decision import MeasuredRod, measured_rod, reading_sd_mm


@dataclass(frozen=True)
class Place:
    """One place of a set, the rod that fills it, and how that rod was made.

    Args:
        expected: The rod; its step is the place's in the set that is decided on.
        revision: Revision of the set that the rod was made in; a replacement has a later one.
        form_step: The rod's step on the inspection form of that revision.
        gauge_uncertainty_mm: Standard uncertainty of the usual gauge, by the process file.
        expansion_per_c: Thermal expansion of the material, 1/°C.
    """

    expected: Expected
    revision: int
    form_step: int
    gauge_uncertainty_mm: float
    expansion_per_c: float

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class Bench:
    """A set to be measured.

    Args:
        places: Its places, by step, left before right.
        first: The way that its inspection form asks for.
        made_on: Day on which the set was recorded as made.
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
        return {place.expected.identifier: place for place in self.places}

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
            f'"{method}" is no way to measure this rod template; measure {known}',
            field="way", value=str(method), allowed=known,
        )  # fmt: skip

    def instrument(self, name: str | None) -> Instrument | None:
        """Give an instrument by name, None for none."""
        return None if name is None else self.instruments[name]

    def gauge(self, identifier: str, instrument: str | None, readings: int = READINGS) -> Gauge:
        """Give what a rod is measured with.

        Args:
            instrument: Name of a known instrument, None for the usual gauge of its process.
        """
        place = self.by_identifier[identifier]
        return Gauge(
            self.instrument(instrument), place.gauge_uncertainty_mm, place.expansion_per_c, readings
        )

    def sd_mm(self, identifier: str, method: Method, instrument: str | None) -> float:
        """Give the standard deviation of one reading; see `reading_sd_mm`."""
        gauge = self.by_identifier[identifier].gauge_uncertainty_mm
        return reading_sd_mm(self.instrument(instrument), gauge, self.way(method))

    def measured(self, readings: RodReadings) -> MeasuredRod:
        """Decide on a rod from its readings.

        Raises:
            InputError: The rod is none of the set, or the way none of the template.
            RefusedError: The instrument does not serve the way.
        """
        place = self.by_identifier.get(readings.identifier)
        if place is None:
            raise InputError(
                f"the rod {grouped(readings.identifier)} is none of the set {self.set_name}",
                field="identifier", value=readings.identifier,
            )  # fmt: skip
        sd = self.sd_mm(readings.identifier, readings.method, readings.instrument)
        count, way = len(readings.readings_mm), self.way(readings.method)
        gauge = self.gauge(readings.identifier, readings.instrument, count)
        budget = gauge.budget(way, place.expected.length_mm)
        return measured_rod(place.expected, readings, way, budget, sd)
