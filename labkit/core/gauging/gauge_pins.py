"""Sets of gauge pins: what bores are gauged with, an instrument that has no scale."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Annotated

from labkit.core.form.keys import Key, name_key, quantity
from labkit.core.gauging.instruments import EXAMPLE_NAME
from labkit.core.gauging.ways_of_measuring import Way
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.numbers import Finite
from labkit.core.rod.fittings import PIN_TOLERANCE_MM
from labkit.errors import InputError

#: What a file of gauge pins says of its kind.
KIND = "gauge-pins"


@dataclass(frozen=True)
class GaugePins(Finite):
    """One set of gauge pins, of which budgets count what their tolerance lets through."""

    name: Annotated[str, name_key("name used with --pins")]
    title: Annotated[str, Key("name for people")]
    kind: Annotated[str, Key("what sort it is", choices=(KIND,))]
    diameters: Annotated[tuple[float, ...], Key(
        "diameters of its pins, mm", "a list of numbers in mm from 0.5 to 12", low=0.5, high=12,
        least=1,
    )]
    evidence: Annotated[str, Key("where the values come from")]
    calibration_due: Annotated[
        date | None, Key("when the next calibration is due", at="calibration.due")
    ] = None
    example: Annotated[
        bool, Key("invented, to show the form: no set is released on its readings")
    ] = field(default=False, metadata=LEFT_OUT_AT_DEFAULT)

    tolerance_mm: Annotated[float, quantity(
        "how far below its mark a pin may be; none is above it", 0.0001, 0.01, at="tolerance",
    )] = field(default=float(PIN_TOLERANCE_MM), metadata=LEFT_OUT_AT_DEFAULT)

    @property
    def invented(self) -> bool:
        """Whether it is an example."""
        return self.example or self.name.startswith(EXAMPLE_NAME)

    def overdue(self, day: date) -> bool:
        """Tell whether the calibration had run out by a day."""
        return self.calibration_due is not None and day > self.calibration_due

    def measuring(self, way: Way) -> Way:
        """Give a way of measuring as these pins serve it."""
        return way.with_pins(Decimal(repr(float(self.tolerance_mm))))

    def lacks(self, diameters_mm: tuple[Decimal, ...]) -> tuple[Decimal, ...]:
        """Give the diameters of which the set has no pin."""
        own = {Decimal(repr(float(one))) for one in self.diameters}
        return tuple(one for one in dict.fromkeys(diameters_mm) if one not in own)

    def require_for(self, way: Way) -> None:
        """Refuse a set that has no pin of a size that a way wants.

        Raises:
            InputError: It has none.
        """
        if lacking := self.lacks(way.gauge_pins_mm):
            sizes = " and ".join(f"{one} mm" for one in lacking)
            raise InputError(
                f"{self.name} has no pin of {sizes}; name the set that is used", field="pins",
                value=self.name,
            )
