"""Looks at a process and at a gauge, each a report: from the record or from a table sent."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from statistics import fmean
from typing import Any

from labkit.core.findings import Finding
from labkit.core.form.numbers import exact_number
from labkit.core.report import Column, Report, Section, Table
from labkit.core.rod.rods import Process
from labkit.documents.calibration_report import calibration_report
from labkit.documents.capability_report import capability_report, chart_report
from labkit.documents.gauge_report import gauge_report
from labkit.ledger.queries import Reader
from labkit.qa.files.gauge_file import read_bias, read_study
from labkit.qa.gauge.outcome import Asked, work_out
from labkit.qa.process.control_chart import individuals
from labkit.qa.process.run_rules import ALL, USUAL
from labkit.qa.process.sample import Sample
from labkit.qa.process.study import study
from labkit.units import millimetres
from labkit.workflow.process.calibrate import CouponFile, calibrate
from labkit.workflow.process.calibration_asked import (
    base_asked,
    calibration_asked,
    to_length_asked,
)
from labkit.workflow.process.data import RodValue, Selection, chosen, rod_sample, rod_values
from labkit.workflow.process.file import process_toml
from labkit.workflow.process.trend import trend_findings


class Look(StrEnum):
    """How values are looked at."""

    CHART = "chart"
    CAPABILITY = "capability"


def record_sample(reader: Reader, wanted: Selection, subgroup: str | None) -> Sample:
    """Read the values of the rods that are wanted.

    Raises:
        InputError: Something named is not there.
        RefusedError: No rod fits.
    """
    values, without = rod_values(reader)
    return rod_sample(chosen(values, wanted), wanted, without, subgroup)


def process_look(
    sample: Sample, look: Look, day: datetime.date, *, all_rules: bool = False
) -> Report:
    """Chart values, or report what the process can do.

    Raises:
        RefusedError: They are too few, or have no limits.
    """
    rules = ALL if all_rules else USUAL
    if look is Look.CHART:
        return chart_report(sample, individuals(sample.values, rules), rules, day.isoformat())
    return capability_report(study(sample, rules), rules, day.isoformat())


@dataclass(frozen=True)
class TableSent:
    """A table as it was sent.

    Args:
        place: Where mistakes are said to be; "" for its name.
    """

    name: str
    raw: bytes
    place: str = ""

    @property
    def where(self) -> str:
        """Where mistakes are said to be."""
        return self.place or self.name


def gauge_look(
    readings: TableSent | None, bias: TableSent | None, asked: Asked, day: datetime.date
) -> Report:
    """Study a gauge.

    Raises:
        InputErrors: What is wrong with a table.
        RefusedError: The readings are no study.
    """
    crossed = read_study(readings.raw, readings.where) if readings else None
    against = read_bias(bias.raw, bias.where) if bias else None
    names = ", ".join(each.name for each in (readings, bias) if each)
    return gauge_report(work_out(crossed, against, asked), names, day.isoformat())


def calibration_look(coupons: TableSent, asked: Mapping[str, Any]) -> tuple[Report, str]:
    """Calibrate a process by coupons.

    Returns:
        The report, and the text of the process file.

    Raises:
        InputError: As `base_asked`, `calibration_asked` and `to_length_asked`; the table is wrong.
        RefusedError: The coupons do not tell enough.
    """
    base = base_asked(asked)
    file = CouponFile(coupons.raw, coupons.name, to_length_asked(asked))
    found = calibrate(file, base, calibration_asked(asked, base))
    report = calibration_report(
        found.process, found.base, found.lengths, found.findings, found.standing_out,
        [coupon.name for coupon in found.left_out],
    )
    return report, process_toml(found.process)


def gauge_asked(tolerance: str) -> Asked:
    """Read what is asked of a gauge study.

    Raises:
        InputError: The tolerance is no number above 0.
    """
    return Asked(tolerance_mm=float(exact_number(tolerance)) if tolerance else None)


def drifting(reader: Reader, known: Mapping[str, Process]) -> tuple[Finding, ...]:
    """Say which calibrated processes drift away from their calibration."""
    return tuple(
        finding for process in known.values() for finding in trend_findings(process, reader)
    )


@dataclass(frozen=True)
class Lot:
    """The measured rods of one lot of material, made with one process."""

    process: str
    name: str
    rods: tuple[RodValue, ...]

    @property
    def off_mm(self) -> float:
        """Mean of measured less nominal length."""
        return fmean(rod.deviation_mm for rod in self.rods)

    @property
    def days(self) -> str:
        """First and last day of measuring."""
        days = sorted(str(rod.measured_on) for rod in self.rods)
        return days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"


_LOTS = (
    Column("process", "process"),
    Column("lot", "name", "lot"),
    Column("rods", lambda lot: len(lot.rods), "rods"),
    Column("mean off", "off_mm", "mean_off_mm", lambda off: millimetres(off, 3), "mm"),
    Column("measured", "days", "measured"),
)


#: What rods of the record can be chosen by, by names.
CHOSEN_BY = ("process", "machine", "material", "lot", "template", "side")


def names_known(lots: tuple[Lot, ...]) -> dict[str, tuple[str, ...]]:
    """Give the names that rods can be chosen by."""
    rods = [rod for lot in lots for rod in lot.rods]
    return {
        field: tuple(sorted({str(getattr(rod, field)) for rod in rods if getattr(rod, field)}))
        for field in CHOSEN_BY
    }


def lots_of(reader: Reader) -> tuple[Lot, ...]:
    """Give the lots of which rods were measured, by process and name."""
    found: dict[tuple[str, str], list[RodValue]] = {}
    for value in rod_values(reader)[0]:
        found.setdefault((value.process, value.lot or "not stated"), []).append(value)
    return tuple(Lot(*names, tuple(rods)) for names, rods in sorted(found.items()))


def lots_report(lots: tuple[Lot, ...]) -> Report:
    """Make the report of the lots."""
    table = Table.of(_LOTS, lots)
    words = () if lots else ("No rods were measured yet.",)
    return Report(
        "Lots of material", (Section("Lots of material", words, table),),
        {"schema": 1, "lots": table.records},
    )
