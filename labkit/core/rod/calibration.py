"""What a calibration of a process by measured coupons found, kept with the process."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass

from labkit.core.numbers import require_finite

#: What a calibration's instrument is where none was named.
USUAL_GAUGE = "the lab's usual gauge"


@dataclass(frozen=True)
class FittedOffset:
    """Offset of one kind of diameter, from measured coupons.

    Args:
        offset_mm: Added to the nominal diameter before building.
        u_mm: Its standard uncertainty.
        sd_mm: Standard deviation of one measured diameter about the fit.
        dof: Degrees of freedom of both.
    """

    offset_mm: float
    u_mm: float
    sd_mm: float
    dof: int

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class Calibration:
    """A process's compensation as found from coupons.

    The scale and offset are those of the compensation: built length = scale · nominal + offset.

    Args:
        date: When the coupons were calibrated.
        by: Operator code of whoever did it.
        shortest_mm, longest_mm: Shortest and longest coupon, nominal: the range it is valid in.
        length_scale, length_scale_u: Scale and its standard uncertainty.
        length_offset_mm, length_offset_u_mm: Offset and its standard uncertainty.
        correlation: Correlation coefficient of scale and offset.
        residual_sd_mm: Standard deviation of one coupon's length about the fit.
        residual_dof: Its degrees of freedom.
        bore, pin, ball: Offsets of the diameters, None where none was measured.
        base: Name of the process that the coupons were built with.
        source: Name of the file of readings.
        source_sha256: SHA-256 of that file, hexadecimal.
    """

    date: datetime.date
    by: str
    instrument: str
    coupons: int
    lengths: int
    shortest_mm: float
    longest_mm: float
    length_scale: float
    length_scale_u: float
    length_offset_mm: float
    length_offset_u_mm: float
    correlation: float
    residual_sd_mm: float
    residual_dof: int
    bore: FittedOffset | None
    pin: FittedOffset | None
    ball: FittedOffset | None
    base: str
    source: str
    source_sha256: str

    def __post_init__(self) -> None:
        require_finite(self)

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

    Args:
        scale_u: Standard uncertainty of the scale.
        offset_u_mm: Standard uncertainty of the offset, mm.

    >>> round(line_u_mm(30, 0.0004, 0.012, -1), 12)
    0.0
    """
    along = length_mm * scale_u
    return math.sqrt(max(0.0, along**2 + offset_u_mm**2 + 2 * correlation * along * offset_u_mm))
