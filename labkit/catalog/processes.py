"""Reads process files: how a lab makes rods."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from labkit.catalog.calibration_table import CalibrationKeys, read_calibration
from labkit.catalog.keys import Number, Table, Text, Version, key, quantity
from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at, validated
from labkit.catalog.rod_schema import NAME, NAME_WORDS
from labkit.catalog.toml_source import TomlSource
from labkit.core.rod.rods import EXPANSION_PER_C, Compensation, Legibility, Plate, Process


class CompensationKeys(Table):
    """[compensation]."""

    length_scale: Number = quantity("factor on the functional length", 0.9, 1.1, "")
    length_offset: Number = quantity("added to the functional length", -1, 1)
    bore_offset: Number = quantity("added to bore diameters", -1, 1)
    pin_offset: Number = quantity("added to pin diameters", -1, 1)
    ball_offset: Number = quantity("added to ball diameters", -1, 1)


class PlateKeys(Table):
    """[plate]."""

    width: Number = quantity("bed along X", 20, 2000)
    depth: Number = quantity("bed along Y", 20, 2000)
    spacing: Number = quantity("least distance between parts", 0.5, 50)
    border: Number = quantity("least distance from the edge of the bed", 0, 100)


class LegibilityKeys(Table):
    """[legibility]."""

    least_stroke: Number = quantity("narrowest groove that stays open", 0.05, 2)
    least_depth: Number = quantity("shallowest readable engraving", 0.05, 2)
    least_height: Number = quantity("smallest legible digits", 0.5, 20)
    least_wall: Number = quantity("thinnest wall under an engraving", 0.2, 10)


class GaugeKeys(Table):
    """[gauge]."""

    uncertainty: Number = quantity("standard uncertainty of a length reading", 0.0001, 0.5)


class ProcessKeys(Table):
    """A process file."""

    schema_: Version = key("version of this file's form", "1", alias="schema")
    name: Text = key("name used with --process", NAME_WORDS, pattern=NAME)
    title: Text = key("name for people", "text")
    machine: Text = key("machine", "text")
    material: Text = key("material", "text")
    expansion_per_c: Number = quantity(
        "linear expansion of the material", 0, 0.0005, "1/°C", default=Decimal(str(EXPANSION_PER_C))
    )
    evidence: Text = key("where the values come from", "text")
    compensation: CompensationKeys = key("what is added before building", "a table")
    plate: PlateKeys = key("bed of the machine", "a table")
    legibility: LegibilityKeys = key("what the process can show", "a table")
    gauge: GaugeKeys = key("the lab's usual gauge", "a table")
    calibration: CalibrationKeys | None = key(
        "what the compensation was found from", "a table", default=None
    )


def processes(extra: tuple[str, ...] = ()) -> dict[str, Process]:
    """Read all processes: the program's own and a lab's.

    Args:
        extra: Files, or folders of .toml files, of the lab's own processes.

    Raises:
        InputError: A file is not a process file, or two processes bear one name.
    """
    return read_all("process", "processes", extra, lambda source: (read_process(source),))


def find_process(known: Mapping[str, Process], name: str) -> Process:
    """Pick a process by name; see `find`."""
    return find("process", known, name)


def read_process(source: TomlSource) -> Process:
    """Turn one process file into checked values.

    Raises:
        InputErrors: Every mistake in the file.
    """
    keys = validated(ProcessKeys, source)
    if 2 * keys.plate.border >= min(keys.plate.width, keys.plate.depth):
        raise at(
            source,
            ("plate", "border"),
            f"= {keys.plate.border} leaves no bed; it must be below half of width and of depth",
        )
    return Process(
        name=keys.name,
        title=keys.title,
        machine=keys.machine,
        material=keys.material,
        evidence=keys.evidence,
        compensation=Compensation(
            length_scale=float(keys.compensation.length_scale),
            length_offset_mm=float(keys.compensation.length_offset),
            bore_offset_mm=float(keys.compensation.bore_offset),
            pin_offset_mm=float(keys.compensation.pin_offset),
            ball_offset_mm=float(keys.compensation.ball_offset),
        ),
        plate=Plate(
            width_mm=float(keys.plate.width),
            depth_mm=float(keys.plate.depth),
            spacing_mm=float(keys.plate.spacing),
            border_mm=float(keys.plate.border),
        ),
        legibility=Legibility(
            least_stroke_mm=float(keys.legibility.least_stroke),
            least_depth_mm=float(keys.legibility.least_depth),
            least_height_mm=float(keys.legibility.least_height),
            least_wall_mm=float(keys.legibility.least_wall),
        ),
        gauge_uncertainty_mm=float(keys.gauge.uncertainty),
        expansion_per_c=float(keys.expansion_per_c),
        calibration=None if keys.calibration is None else read_calibration(
            source, keys.calibration, keys.compensation.model_dump()
        ),
    )  # fmt: skip
