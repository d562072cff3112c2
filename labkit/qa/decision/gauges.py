"""Whether what a rod was measured with may be trusted: named, in calibration, no example."""

from __future__ import annotations

from collections.abc import Iterator

from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.qa.decision.readings import RodReadings


def gauge_faults(readings: RodReadings) -> Iterator[tuple[str, str]]:
    """Find why readings do not release a rod, whatever they say.

    Returns:
        What is wrong, and what to do; without their ends. Gauge pins count as an instrument.

    >>> from labkit.core.gauging.ways_of_measuring import Method
    >>> from decimal import Decimal
    >>> list(gauge_faults(RodReadings("4829173065", Method.OVER, (Decimal("36.08"),))))[0][0]
    'no instrument is named that it was measured with'
    """
    tools: list[tuple[str, Instrument | GaugePins | None]] = [("instrument", readings.instrument)]
    if readings.gauge_pins_mm:
        tools.append(("set of gauge pins", readings.gauge_pins))
    for what, tool in tools:
        if tool is None:
            option = "--pins" if "pins" in what else "--instrument"
            yield (
                f"no {what} is named that it was measured with",
                f"measure with one of the lab's own (`labkit instruments`), named with {option}",
            )
        elif tool.invented:
            yield (
                f"{tool.name} is an invented example",
                "measure with one of the lab's own, described in a file (--instruments)",
            )
        else:
            yield from _out_of_calibration(readings, tool)
    yield from _without_temperature(readings)


def _without_temperature(readings: RodReadings) -> Iterator[tuple[str, str]]:
    tool = readings.instrument
    if readings.temperature_c is None and tool is not None and tool.thermometer_c is not None:
        yield (
            f"the temperature at which it was measured is not known, and lengths of {tool.name} "
            "are corrected to 20 °C by it",
            "measure again and give it with --temperature, once for all rods",
        )


def _out_of_calibration(
    readings: RodReadings, tool: Instrument | GaugePins
) -> Iterator[tuple[str, str]]:
    due, day = tool.calibration_due, readings.measured_on
    if due is None:
        yield (
            f"the file of {tool.name} does not say when its calibration is due",
            "let it be calibrated, put the day into its file ([calibration] due), and measure again"
        )
    elif day is None:
        yield "the day of measuring is not known", "measure again"
    elif tool.overdue(day):
        yield (
            f"measured on {day} with {tool.title}, whose calibration was due on {due}",
            "measure with a calibrated one",
        )
