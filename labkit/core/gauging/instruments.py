"""Measuring instruments: what a lab measures rods with, as values. Data, in `templates/`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.numbers import require_finite
from labkit.errors import InputError


class InstrumentKind(StrEnum):
    """What sort of instrument it is."""

    CALLIPER = "calliper"
    MICROMETER = "micrometer"
    MICROSCOPE = "microscope"
    MACHINE = "coordinate-machine"
    SCANNER = "scanner"


@dataclass(frozen=True)
class Instrument:
    """One measuring instrument and what is known of its errors.

    Args:
        resolution_mm: Least step that it shows.
        calibration_mm: Standard uncertainty of its calibration, with what is left uncorrected.
        calibration_dof: Degrees of freedom of that, None where there is no doubt about it.
        repeatability_mm: Standard deviation of a single reading, the rod taken out and put back.
        repeatability_dof: Degrees of freedom of that: readings less rods that they were taken on.
        temperature_c: How far the room may be from 20 °C, ±.
        difference_c: How far the rod may be from the instrument's temperature, ±.
        expansion_per_c: Thermal expansion of the scale, 1/°C.
        methods: Ways of measuring that it serves.
        calibration_due: When its calibration is due, None if not said.
        evidence: Where the values come from ("example, not calibrated").
    """

    name: str
    title: str
    kind: InstrumentKind
    resolution_mm: float
    calibration_mm: float
    calibration_dof: float | None
    repeatability_mm: float
    repeatability_dof: float | None
    temperature_c: float
    difference_c: float
    expansion_per_c: float
    methods: tuple[Method, ...]
    calibration_due: date | None
    evidence: str

    def __post_init__(self) -> None:
        require_finite(self)
        for name in ("resolution_mm", "calibration_mm", "repeatability_mm"):
            if getattr(self, name) <= 0:
                raise InputError(
                    f"{name} of instrument {self.name} must be above 0: no instrument is exact",
                    field=name, value=getattr(self, name), allowed="above 0",
                )
        for name in ("temperature_c", "difference_c", "expansion_per_c"):
            if getattr(self, name) < 0:
                raise InputError(
                    f"{name} of instrument {self.name} must not be below 0",
                    field=name, value=getattr(self, name), allowed="0 or more",
                )
        for name in ("calibration_dof", "repeatability_dof"):
            dof = getattr(self, name)
            if dof is not None and dof < 1:
                raise InputError(
                    f"{name} of instrument {self.name} must be 1 or more, or absent",
                    field=name, value=dof, allowed="1 or more",
                )

    def serves(self, method: Method) -> bool:
        """Tell whether the instrument can measure this way."""
        return method in self.methods

    def overdue(self, day: date) -> bool:
        """Tell whether the calibration had run out by a day."""
        return self.calibration_due is not None and day > self.calibration_due
