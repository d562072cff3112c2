"""Eyes: a disc boss with a through bore."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import ROUND_FLOOR, Decimal
from typing import Annotated

from labkit.core.form.keys import quantity
from labkit.core.label.lettering import Line
from labkit.core.rod.building import Lowest, Place, Underside, Way
from labkit.core.rod.fittings.base import FIT, PIN_TOLERANCE_MM, BossFitting, Mount, Wall
from labkit.core.rod.outlines import circle
from labkit.core.rod.projected import ProjectedView

#: Gauge pins come in sets of this step.
PIN_STEP_MM = Decimal("0.01")


@dataclass(frozen=True)
class Eye(BossFitting):
    """Disc boss, as thick as the bar, with a coaxial bore, axis y; the fit is the bore's."""

    bore_diameter_mm: Annotated[float, quantity("bore", 0.8, 10)]
    boss_diameter_mm: Annotated[float, quantity("disc", 1.6, 20)]
    fit: Annotated[str, FIT]

    kind = "eye"
    noun = "bore"
    surface = "bore"
    symbol = "D"
    look_for = "bores open and round"
    bored = True

    @property
    def diameter_mm(self) -> float:
        """Diameter of the bore."""
        return self.bore_diameter_mm

    @property
    def rest(self) -> str:
        """Its other sizes, for people."""
        return f"eye of {self.boss_diameter_mm:g}"

    @property
    def walls(self) -> tuple[Wall, ...]:
        """What is left between bore and edge.

        Formula: (D_boss − D_bore) / 2.
        """
        left = (self.boss_diameter_mm - self.bore_diameter_mm) / 2
        return (Wall("eye", "between bore and edge of the eye", left),)

    def with_diameter(self, diameter_mm: float) -> Eye:
        """Give the same eye with another bore."""
        return replace(self, bore_diameter_mm=diameter_mm)

    def check(self) -> None:
        """Refuse nothing: what must be left of the boss round the bore is the bar's rule."""

    def added_mm3(self, mount: Mount) -> float:
        """Give the bore's volume, which it takes away."""
        return -math.pi * (self.bore_diameter_mm / 2) ** 2 * 2 * mount.face_mm

    def front_view(self, mount: Mount) -> ProjectedView:
        """Draw the bore's rim."""
        return ProjectedView(circle((mount.x_mm, 0.0), self.bore_diameter_mm / 2))

    def top_view(self, mount: Mount) -> ProjectedView:
        """Draw the bore's sides, which are hidden."""
        bore, face = self.bore_diameter_mm / 2, mount.face_mm
        sides = (mount.x_mm - bore, mount.x_mm + bore)
        return ProjectedView((), tuple(Line((x, -face), (x, face)) for x in sides))

    def end_view(self, mount: Mount) -> ProjectedView:
        """Draw the bore's sides, which are hidden."""
        bore, face = self.bore_diameter_mm / 2, mount.face_mm
        return ProjectedView((), tuple(Line((-face, z), (face, z)) for z in (-bore, bore)))

    def undersides(self, way: Way, mount: Mount, flat_share: float) -> Iterator[Underside]:
        """Give the bore's ceiling, which both its sides carry, where it does not stand upright."""
        if way is not Way.FLAT:
            radius, middle = self.bore_diameter_mm / 2, mount.across_mm(way)
            yield Underside(
                Place.BORE, middle + radius * math.sqrt(1 - flat_share**2), Lowest.LINE,
                radius * flat_share, carried=True,
            )

    @property
    def gauge_pin_mm(self) -> Decimal:
        """The largest gauge pin of the set that enters the smallest bore.

        >>> Eye(2.5, 7.5, "H8").gauge_pin_mm, Eye(2.5, 7.5, "JS9").gauge_pin_mm
        (Decimal('2.50'), Decimal('2.48'))
        """
        return self.limits.least_mm.quantize(PIN_STEP_MM, ROUND_FLOOR)

    @property
    def no_go_pin_mm(self) -> Decimal:
        """The smallest gauge pin that is larger than the largest bore, however worn it may be."""
        most = self.limits.most_mm + PIN_TOLERANCE_MM
        return most.quantize(PIN_STEP_MM, ROUND_FLOOR) + PIN_STEP_MM

    def outer_bounds(
        self, pin_tolerance_mm: Decimal = PIN_TOLERANCE_MM
    ) -> tuple[Decimal, Decimal]:
        """Bound how far a gauge pin pressed against the bore's inner side reaches outwards.

        Formula: gauge pin d in a bore D: d − D/2, over all that the go and the no-go pin let
        through, which is more than the bore's limits: d ≤ D, as it stands in the bore, so that
        d − D/2 ≤ d/2; D below the largest no-go pin. Evenly about a bore in the middle of its
        limits as the usual pins read it: forms are printed before anyone names pins.
        """
        pin, middle = self.gauge_pin_mm, self.contact_mm(self.limits.middle_mm)
        low, high = pin - pin_tolerance_mm - self.no_go_pin_mm / 2, pin / 2
        reach = max(middle - low, high - middle)
        return middle - reach, middle + reach

    def contact_mm(self, measured_mm: Decimal) -> Decimal:
        """Give the gauge pin's reach in a measured bore."""
        # The pins are not larger than marked and a little smaller at most.
        return self.gauge_pin_mm - PIN_TOLERANCE_MM / 2 - measured_mm / 2

    def term(self, sign: str, times: int) -> str:
        """Write the terms of gauge pin and bore, in symbols."""
        other = "+" if sign == "−" else "−"
        return f"{sign} 2 d {other} D" if times > 1 else f"{sign} d {other} D / 2"
