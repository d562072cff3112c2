"""What a calibration of a process by measured coupons found, kept with the process."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import Annotated

from labkit.core.form.keys import Key, matching, quantity
from labkit.core.numbers import Finite

#: What a calibration's instrument is where none was named.
USUAL_GAUGE = "the lab's usual gauge"
#: More coupons than this were not measured by hand.
MOST_COUPONS = 100_000


@dataclass(frozen=True)
class FittedOffset(Finite):
    """Offset of one kind of diameter, from measured coupons."""

    offset_mm: Annotated[float, quantity("offset of the diameter as found", -1, 1)]
    u_mm: Annotated[float, quantity("its standard uncertainty", 0, 1, at="offset_u")]
    sd_mm: Annotated[float, quantity("standard deviation of one measured diameter", 0, 1)]
    dof: Annotated[int, quantity("degrees of freedom of both", 1, MOST_COUPONS, "")]


@dataclass(frozen=True)
class Calibration(Finite):
    """A process's compensation as found from coupons.

    The scale and offset are those of the compensation: built length = scale · nominal + offset.
    """

    date: Annotated[datetime.date, Key("day of the calibration")]
    by: Annotated[str, Key("operator code of whoever did it")]
    instrument: Annotated[str, Key("what the coupons were measured with")]
    coupons: Annotated[int, quantity("coupons that count", 4, MOST_COUPONS, "")]
    lengths: Annotated[int, quantity("different lengths among them", 3, MOST_COUPONS, "")]
    shortest_mm: Annotated[float, quantity("shortest coupon, nominal", 1, 500)]
    longest_mm: Annotated[float, quantity("longest coupon, nominal", 1, 500)]
    length_scale: Annotated[float, quantity("scale as found", 0.9, 1.1, "")]
    length_scale_u: Annotated[float, quantity("its standard uncertainty", 0, 0.1, "")]
    length_offset_mm: Annotated[float, quantity("offset as found", -1, 1)]
    length_offset_u_mm: Annotated[float, quantity("its standard uncertainty", 0, 1)]
    correlation: Annotated[
        float, quantity("correlation coefficient of scale and offset", -1, 1, "")
    ]
    residual_sd_mm: Annotated[
        float, quantity("standard deviation of one length about the fit", 0, 1)
    ]
    residual_dof: Annotated[int, quantity("its degrees of freedom", 1, MOST_COUPONS, "")]
    bore: Annotated[FittedOffset | None, Key("bores, where measured")]
    pin: Annotated[FittedOffset | None, Key("pins, where measured")]
    ball: Annotated[FittedOffset | None, Key("balls, where measured")]
    base: Annotated[
        str, Key("process that the coupons were built with", "a process's name")
    ]
    source: Annotated[str, Key("name of the file of readings")]
    source_sha256: Annotated[
        str, Key("SHA-256 of that file", "64 hexadecimal digits", holds=matching("[0-9a-f]{64}"))
    ]

    @property
    def offsets(self) -> dict[str, FittedOffset]:
        """Offsets of the kinds of diameter that were measured."""
        every = {"bore": self.bore, "pin": self.pin, "ball": self.ball}
        return {kind: offset for kind, offset in every.items() if offset is not None}

    def covers(self, length_mm: float) -> bool:
        """Tell whether a length lies among those that were measured."""
        return self.shortest_mm <= length_mm <= self.longest_mm

    def built_u_mm(self, length_mm: float) -> float:
        """Work out the standard uncertainty of a built length that comes from the fit.

        Returns:
            Standard uncertainty of scale · length + offset, mm. An error of the gauge that all
            coupons share is not in it.
        """
        return line_u_mm(
            length_mm, self.length_scale_u, self.length_offset_u_mm, self.correlation
        )


def line_u_mm(length_mm: float, scale_u: float, offset_u_mm: float, correlation: float) -> float:
    """Work out the standard uncertainty of scale · length + offset.

    Formula: u² = L² u(scale)² + u(offset)² + 2 L r u(scale) u(offset).

    >>> round(line_u_mm(30, 0.0004, 0.012, -1), 12)
    0.0
    """
    along = length_mm * scale_u
    return math.sqrt(max(0.0, along**2 + offset_u_mm**2 + 2 * correlation * along * offset_u_mm))
