"""Measuring instruments: what a lab measures rods with, as values. Data, in `templates/`."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Annotated

from labkit.core.form.keys import Key, name_key, quantity
from labkit.core.form.words import listed
from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.numbers import require_finite
from labkit.errors import InputError


class InstrumentKind(StrEnum):
    """What sort of instrument it is."""

    CALLIPER = "calliper"
    MICROMETER = "micrometer"
    MICROSCOPE = "microscope"
    MACHINE = "coordinate-machine"
    SCANNER = "scanner"


#: How the names of the program's own examples begin.
EXAMPLE_NAME = "example-"
#: From here on it is told that a calibration will be due, days.
DUE_SOON_DAYS = 30
_DEGREES = "a whole number of 1 or more"
#: Steel, known to ± 2e-6 1/°C, anywhere alike (JCGM 100:2008, H.1.3.1: from memory).
SCALE_U_PER_C = 1.2e-6
#: Wavelengths of a form error of which nothing more is known: all that can matter on a rod.
FORM_WAVES_MM = (0.5, 100.0)


@dataclass(frozen=True)
class Instrument:
    """One measuring instrument and what is known of its errors."""

    name: Annotated[str, name_key("name used with --instrument")]
    title: Annotated[str, Key("name for people")]
    kind: Annotated[InstrumentKind, Key("what sort it is")]
    resolution_mm: Annotated[
        float, quantity("least step that it shows", 0.0001, 0.5, at="scale.resolution")
    ]
    calibration_mm: Annotated[float, quantity(
        "standard uncertainty of the calibration, with errors left uncorrected", 0.0001, 0.5,
        at="calibration.uncertainty",
    )]
    calibration_dof: Annotated[float | None, Key(
        "degrees of freedom of that; absent where the value is not in doubt", _DEGREES, low=1,
        at="calibration.degrees_of_freedom", holds=float.is_integer,
    )]
    repeatability_mm: Annotated[float, quantity(
        "standard deviation of single readings, the rod taken out and put back", 0.0001, 0.5,
        at="repeatability.standard_deviation",
    )]
    repeatability_dof: Annotated[float | None, Key(
        "degrees of freedom of that: readings minus rods; absent where the value is not in doubt",
        _DEGREES, low=1, at="repeatability.degrees_of_freedom", holds=float.is_integer,
    )]
    temperature_c: Annotated[float, quantity(
        "how far the room may be from 20 °C, ±", 0, 20, "°C", at="temperature.room"
    )]
    difference_c: Annotated[float, quantity(
        "how far a rod may be from the instrument, ±", 0, 20, "°C", at="temperature.difference"
    )]
    expansion_per_c: Annotated[float, quantity(
        "linear expansion of the scale", 0, 0.0005, "1/°C", at="scale.expansion_per_c"
    )]
    methods: Annotated[tuple[Method, ...], Key(
        "ways of measuring that it serves", f"a list of {listed(Method)}", least=1
    )]
    calibration_due: Annotated[
        date | None, Key("when the next calibration is due", at="calibration.due")
    ]
    evidence: Annotated[str, Key("where the values come from")]
    reproducibility_mm: Annotated[float | None, quantity(
        "standard deviation between operators, as a gauge study gives it; absent where one person "
        "measures, or none was found", 0.0001, 0.5, at="reproducibility.standard_deviation",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    reproducibility_dof: Annotated[float | None, Key(
        "degrees of freedom of that: operators minus one; absent where the value is not in doubt",
        _DEGREES, low=1, at="reproducibility.degrees_of_freedom", holds=float.is_integer,
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    example: Annotated[
        bool, Key("invented, to show the form: no set is released on its readings")
    ] = field(default=False, metadata=LEFT_OUT_AT_DEFAULT)
    thermometer_c: Annotated[float | None, quantity(
        "standard uncertainty of the recorded temperature; absent where none is corrected for",
        0.01, 5, "°C", at="temperature.thermometer",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    expansion_u_per_c: Annotated[float, quantity(
        "standard uncertainty of the scale's expansion", 0, 0.0001, "1/°C",
        at="scale.expansion_uncertainty_per_c",
    )] = field(default=SCALE_U_PER_C, metadata=LEFT_OUT_AT_DEFAULT)
    form_mm: Annotated[float | None, quantity(
        "standard deviation of a scanner's error along a smooth surface, its points' noise taken "
        "out; absent where it is not known, and its scans then inform and decide nothing",
        0.0001, 0.1, at="form.error",
    )] = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    form_shortest_mm: Annotated[float, quantity(
        "shortest wavelength of that error", 0.5, 100, at="form.shortest",
    )] = field(default=FORM_WAVES_MM[0], metadata=LEFT_OUT_AT_DEFAULT)
    form_longest_mm: Annotated[float, quantity(
        "longest wavelength of that error; the worst between both is counted", 0.5, 100,
        at="form.longest",
    )] = field(default=FORM_WAVES_MM[1], metadata=LEFT_OUT_AT_DEFAULT)

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
        for name in ("calibration_dof", "repeatability_dof", "reproducibility_dof"):
            dof = getattr(self, name)
            if dof is not None and dof < 1:
                raise InputError(
                    f"{name} of instrument {self.name} must be 1 or more, or absent",
                    field=name, value=dof, allowed="1 or more",
                )

        if self.form_shortest_mm > self.form_longest_mm:
            raise InputError(
                f"form_shortest_mm of instrument {self.name} must not be above form_longest_mm",
                field="form_shortest_mm", value=self.form_shortest_mm,
                allowed=f"at most {self.form_longest_mm}",
            )

    @property
    def decides_by_scan(self) -> bool:
        """Whether the error of its scans is known, so that they may decide."""
        return self.kind is InstrumentKind.SCANNER and self.form_mm is not None

    def serves(self, method: Method) -> bool:
        """Tell whether the instrument can measure this way."""
        return method in self.methods

    @property
    def invented(self) -> bool:
        """Whether it is an example; records from before that key tell it by the name alone."""
        return self.example or self.name.startswith(EXAMPLE_NAME)

    def overdue(self, day: date) -> bool:
        """Tell whether the calibration had run out by a day."""
        return self.calibration_due is not None and day > self.calibration_due
