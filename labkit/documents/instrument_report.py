"""What rods are measured with, as a report each: errors, what it measures, when it is due."""

from __future__ import annotations

import datetime

from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import DUE_SOON_DAYS, Instrument, InstrumentKind
from labkit.core.report import Report
from labkit.documents.listing import report_about
from labkit.units import counted, plain

#: Anything that readings are taken with.
Tool = Instrument | GaugePins


def instrument_report(tool: Tool, today: datetime.date) -> Report:
    """Make the report of an instrument or a set of gauge pins."""
    due, days = tool.calibration_due, _days(tool, today)
    if isinstance(tool, GaugePins):
        kind, facts = "Gauge pins", _pins(tool)
    else:
        kind, facts = "Instrument", _facts(tool)
    return report_about(
        kind, tool, [f"{tool.evidence}."], [*facts, ("due", _due(tool, days))], due_in_days=days,
        releases=due is not None and not tool.invented and not tool.overdue(today),
    )


def _days(tool: Tool, today: datetime.date) -> int | None:
    return None if tool.calibration_due is None else (tool.calibration_due - today).days


def _due(tool: Tool, days: int | None) -> str:
    """Say when it is to be calibrated again, and whether a set may be released on it."""
    if tool.invented:
        return "an invented example; no set is released on its readings"
    if days is None:
        return "not said; no set is released on its readings"
    if days < 0:
        return f"{tool.calibration_due}, OVERDUE by {counted(-days, 'day')}; not to be used"
    soon = f", in {counted(days, 'day')}" if days <= DUE_SOON_DAYS else ""
    return f"{tool.calibration_due}{soon}"


def _pins(pins: GaugePins) -> list[tuple[str, str]]:
    return [
        ("kind", pins.kind), ("diameters", ", ".join(map(plain, pins.diameters)) + " mm"),
        ("tolerance", f"+0, −{plain(pins.tolerance_mm)} mm of each"),
    ]


def _facts(instrument: Instrument) -> list[tuple[str, str]]:
    hands = instrument.reproducibility_mm
    return [
        ("kind", str(instrument.kind)),
        ("measures", ", ".join(instrument.methods)),
        ("resolution", f"{plain(instrument.resolution_mm)} mm"),
        (
            "calibration",
            f"{plain(instrument.calibration_mm)} mm standard uncertainty"
            f"{_degrees(instrument.calibration_dof)}",
        ),
        (
            "repeatability",
            f"{plain(instrument.repeatability_mm)} mm standard deviation of one reading"
            f"{_degrees(instrument.repeatability_dof)}",
        ),
        (
            "reproducibility",
            "not stated" if hands is None else f"{plain(hands)} mm standard deviation between "
            f"operators{_degrees(instrument.reproducibility_dof)}",
        ),
        (
            "temperature",
            f"room 20 ± {plain(instrument.temperature_c)} °C, rod and instrument within "
            f"{plain(instrument.difference_c)} °C, scale {plain(instrument.expansion_per_c * 1e6)} "
            "µm a metre and °C",
        ),
        (
            "thermometer",
            "not stated: lengths are not corrected to 20 °C" if instrument.thermometer_c is None
            else f"{plain(instrument.thermometer_c)} °C standard uncertainty",
        ),
        *([("form error", _form(instrument))] if instrument.kind is InstrumentKind.SCANNER else []),
    ]


def _form(scanner: Instrument) -> str:
    if scanner.form_mm is None:
        return "not stated: its scans inform and decide nothing"
    return (
        f"{plain(scanner.form_mm)} mm standard deviation, waves of "
        f"{plain(scanner.form_shortest_mm)} to {plain(scanner.form_longest_mm)} mm"
    )


def _degrees(dof: float | None) -> str:
    return "" if dof is None else f", {plain(dof)} degrees of freedom"
