"""Reads instrument files: what a lab measures rods with, and how well."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field, StrictInt

from labkit.catalog.keys import Number, Table, Text, Version, key, quantity
from labkit.catalog.named import find, read_all
from labkit.catalog.prescription_schema import Day
from labkit.catalog.problems import at, validated
from labkit.catalog.rod_schema import NAME, NAME_WORDS
from labkit.catalog.toml_source import TomlSource
from labkit.core.gauging.instruments import Instrument, InstrumentKind
from labkit.core.gauging.ways_of_measuring import Method

_METHODS = ", ".join(f'"{method}"' for method in Method)
_DEGREES = "a whole number of 1 or more"
#: Degrees of freedom; TOML's true is no number.
Degrees = Annotated[StrictInt, Field(ge=1)]


class ScaleKeys(Table):
    """[scale]."""

    resolution: Number = quantity("least step that it shows", 0.0001, 0.5)
    expansion_per_c: Number = quantity("linear expansion of the scale", 0, 0.0005, "1/°C")


class CalibrationKeys(Table):
    """[calibration]."""

    uncertainty: Number = quantity(
        "standard uncertainty of the calibration, with errors left uncorrected", 0.0001, 0.5
    )
    degrees_of_freedom: Degrees | None = key(
        "of that; absent where the value is not in doubt", _DEGREES, default=None
    )
    due: Day | None = key(
        "when the next calibration is due", "a date such as 2031-09-30, without quotes",
        default=None,
    )


class RepeatabilityKeys(Table):
    """[repeatability]."""

    standard_deviation: Number = quantity(
        "of single readings, the rod taken out and put back", 0.0001, 0.5
    )
    degrees_of_freedom: Degrees | None = key(
        "of that: readings less rods; absent where the value is not in doubt", _DEGREES,
        default=None,
    )


class TemperatureKeys(Table):
    """[temperature]."""

    room: Number = quantity("how far the room may be from 20 °C, ±", 0, 20, "°C")
    difference: Number = quantity("how far a rod may be from the instrument, ±", 0, 20, "°C")


class InstrumentKeys(Table):
    """An instrument file."""

    schema_: Version = key("version of this file's form", "1", alias="schema")
    name: Text = key("name used with --instrument", NAME_WORDS, pattern=NAME)
    title: Text = key("name for people", "text")
    kind: Literal["calliper", "micrometer", "microscope", "coordinate-machine", "scanner"] = key(
        "what sort it is", ", ".join(f'"{kind}"' for kind in InstrumentKind)
    )
    methods: list[
        Literal["over", "between", "half-sum", "over-less-own", "centres", "ends"]
    ] = key("ways of measuring that it serves", f"a list of {_METHODS}", min_length=1)
    evidence: Text = key("where the values come from", "text")
    scale: ScaleKeys = key("what it shows", "a table")
    calibration: CalibrationKeys = key("its calibration", "a table")
    repeatability: RepeatabilityKeys = key("how its readings scatter", "a table")
    temperature: TemperatureKeys = key("where it is used", "a table")


def instruments(extra: tuple[str, ...] = ()) -> dict[str, Instrument]:
    """Read all instruments: the program's examples and a lab's own.

    Args:
        extra: Files, or folders of .toml files, of the lab's own instruments.

    Raises:
        InputError: A file is not an instrument file, or two instruments bear one name.
    """
    return read_all("instrument", "instruments", extra, lambda source: (read_instrument(source),))


def find_instrument(known: Mapping[str, Instrument], name: str) -> Instrument:
    """Pick an instrument by name; see `find`."""
    return find("instrument", known, name)


def read_instrument(source: TomlSource) -> Instrument:
    """Turn one instrument file into checked values.

    Raises:
        InputErrors: Every mistake in the file.
    """
    keys = validated(InstrumentKeys, source)
    if len(set(keys.methods)) < len(keys.methods):
        raise at(source, ("methods",), "names a way of measuring twice; name each once")
    return Instrument(
        name=keys.name,
        title=keys.title,
        kind=InstrumentKind(keys.kind),
        resolution_mm=float(keys.scale.resolution),
        calibration_mm=float(keys.calibration.uncertainty),
        calibration_dof=_dof(keys.calibration.degrees_of_freedom),
        repeatability_mm=float(keys.repeatability.standard_deviation),
        repeatability_dof=_dof(keys.repeatability.degrees_of_freedom),
        temperature_c=float(keys.temperature.room),
        difference_c=float(keys.temperature.difference),
        expansion_per_c=float(keys.scale.expansion_per_c),
        methods=tuple(Method(method) for method in keys.methods),
        calibration_due=keys.calibration.due,
        evidence=keys.evidence,
    )


def instrument_from_json(content: Mapping[str, object]) -> Instrument:
    """Rebuild an instrument from what `jsonable` made of it.

    Args:
        content: JSON content, as a reading in the ledger keeps it.
    """
    own = dict(content)
    due = own["calibration_due"]
    methods = own["methods"]
    assert isinstance(methods, list)
    own["kind"] = InstrumentKind(str(own["kind"]))
    own["methods"] = tuple(Method(method) for method in methods)
    own["calibration_due"] = None if due is None else date.fromisoformat(str(due))
    return Instrument(**own)  # type: ignore[arg-type]


def _dof(degrees: int | Decimal | None) -> float | None:
    return None if degrees is None else float(degrees)
