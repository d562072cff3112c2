"""Reads the table [calibration] of a process file: what its compensation was found from."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from labkit.catalog.keys import Number, Table, Text, key, quantity
from labkit.catalog.prescription_schema import Day
from labkit.catalog.problems import at
from labkit.catalog.toml_source import TomlSource
from labkit.core.rod.calibration import Calibration, FittedOffset

#: Kinds of diameters that a calibration can have an offset of.
DIAMETERS = ("bore", "pin", "ball")


def _whole(value: object) -> int:
    if type(value) is not int:
        raise PydanticCustomError("whole", "a whole number")
    return value


Whole = Annotated[int, BeforeValidator(_whole)]


def _count(about: str, least: int) -> Whole:
    return key(  # type: ignore[no-any-return]
        about, f"a whole number from {least} to 100000", ge=least, le=100_000
    )


class OffsetKeys(Table):
    """[calibration.bore], [calibration.pin], [calibration.ball]."""

    offset: Number = quantity("offset of the diameter as found", -1, 1)
    offset_u: Number = quantity("its standard uncertainty", 0, 1)
    sd: Number = quantity("standard deviation of one measured diameter", 0, 1)
    dof: Whole = _count("degrees of freedom of both", 1)


class CalibrationKeys(Table):
    """[calibration]; lengths in mm."""

    date: Day = key("day of the calibration", "a date without quotes, such as 2031-05-02")
    by: Text = key("operator code of whoever did it", "text")
    instrument: Text = key("what the coupons were measured with", "text")
    base: Text = key("process that the coupons were built with", "a process's name")
    source: Text = key("name of the file of readings", "text")
    source_sha256: Text = key(
        "SHA-256 of that file", "64 hexadecimal digits", pattern=r"^[0-9a-f]{64}$"
    )
    coupons: Whole = _count("coupons that count", 4)
    lengths: Whole = _count("different lengths among them", 3)
    shortest: Number = quantity("shortest coupon, nominal", 1, 500)
    longest: Number = quantity("longest coupon, nominal", 1, 500)
    length_scale: Number = quantity("scale as found", 0.9, 1.1, "")
    length_scale_u: Number = quantity("its standard uncertainty", 0, 0.1, "")
    length_offset: Number = quantity("offset as found", -1, 1)
    length_offset_u: Number = quantity("its standard uncertainty", 0, 1)
    correlation: Number = quantity("correlation coefficient of scale and offset", -1, 1, "")
    residual_sd: Number = quantity("standard deviation of one length about the fit", 0, 1)
    residual_dof: Whole = _count("its degrees of freedom", 1)
    bore: OffsetKeys | None = key("bores, where measured", "a table", default=None)
    pin: OffsetKeys | None = key("pins, where measured", "a table", default=None)
    ball: OffsetKeys | None = key("balls, where measured", "a table", default=None)


def read_calibration(
    source: TomlSource, keys: CalibrationKeys, compensation: dict[str, Decimal]
) -> Calibration:
    """Turn the table [calibration] into a checked value.

    Args:
        compensation: The keys of [compensation], which must be what was found.

    Raises:
        InputError: The range is empty, numbers contradict each other, or the compensation was
            changed afterwards.
    """
    _require_whole(source, keys)
    if keys.shortest >= keys.longest:
        raise at(
            source, ("calibration", "longest"),
            f"= {keys.longest} is not above shortest = {keys.shortest}; the range that the "
            "calibration is valid in has a length",
        )  # fmt: skip
    found = {"length_scale": keys.length_scale, "length_offset": keys.length_offset}
    for kind in DIAMETERS:
        if (table := getattr(keys, kind)) is not None:
            found[f"{kind}_offset"] = table.offset
    for name, value in found.items():
        if value != compensation[name]:
            raise at(
                source, ("compensation", name),
                f"= {compensation[name]} is not what the calibration found, {value}: the "
                "calibration does not speak for it; calibrate again, or take the table "
                "[calibration] out of the file",
            )  # fmt: skip
    return _calibration(keys)


def _require_whole(source: TomlSource, keys: CalibrationKeys) -> None:
    """Refuse numbers that no calibration gives together."""
    if keys.lengths >= keys.coupons:
        raise at(
            source, ("calibration", "lengths"),
            f"= {keys.lengths} is not below coupons = {keys.coupons}; some coupons repeat a length",
        )  # fmt: skip
    if keys.residual_dof != keys.coupons - 2:
        raise at(
            source, ("calibration", "residual_dof"),
            f"= {keys.residual_dof} is not coupons − 2 = {keys.coupons - 2}, as it is of a line",
        )  # fmt: skip
    for kind in DIAMETERS:
        table = getattr(keys, kind)
        if table is not None and table.dof >= keys.coupons:
            raise at(
                source, ("calibration", kind, "dof"),
                f"= {table.dof} is not below coupons = {keys.coupons}",
            )  # fmt: skip
    for name in ("length_scale_u", "length_offset_u", "residual_sd"):
        if not getattr(keys, name):
            raise at(
                source, ("calibration", name),
                "= 0 would be a measurement without error; calibrate again",
            )  # fmt: skip


def _calibration(keys: CalibrationKeys) -> Calibration:
    return Calibration(
        date=keys.date,
        by=keys.by,
        instrument=keys.instrument,
        coupons=keys.coupons,
        lengths=keys.lengths,
        shortest_mm=float(keys.shortest),
        longest_mm=float(keys.longest),
        length_scale=float(keys.length_scale),
        length_scale_u=float(keys.length_scale_u),
        length_offset_mm=float(keys.length_offset),
        length_offset_u_mm=float(keys.length_offset_u),
        correlation=float(keys.correlation),
        residual_sd_mm=float(keys.residual_sd),
        residual_dof=keys.residual_dof,
        bore=_offset(keys.bore),
        pin=_offset(keys.pin),
        ball=_offset(keys.ball),
        base=keys.base,
        source=keys.source,
        source_sha256=keys.source_sha256,
    )


def _offset(keys: OffsetKeys | None) -> FittedOffset | None:
    if keys is None:
        return None
    return FittedOffset(float(keys.offset), float(keys.offset_u), float(keys.sd), keys.dof)
