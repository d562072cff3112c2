"""Limits of a set's rods before anyone measures, and whether a gauge can decide on them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from labkit.core.findings import Finding, note, refused
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method, Role, Way, ways_of
from labkit.documents.inspection import gauge_of, lines_of
from labkit.documents.set_spec import Spec, template_of
from labkit.errors import InputError, RefusedError
from labkit.qa.decision.limits import (
    Gauge,
    Nominal,
    RodLimits,
    best_way,
    coarse_scale,
    decides,
    rod_limits,
)
from labkit.qa.decision.readings import Expected
from labkit.qa.uncertainty import uniform
from labkit.units import plain

if TYPE_CHECKING:
    from labkit.core.rod.rods import Process
    from labkit.ledger.queries import Reader
    from labkit.workflow.sets.cases import Case

#: Tolerances of gauge pins that are tried where the present ones are too coarse, mm.
FINER_PINS_MM = tuple(Decimal(tenths) / 10_000 for tenths in (45, 40, 35, 30, 25, 20, 15, 10, 5))
#: Name of the content of a set in its folder (labkit.exports.write.set_folder, which knows solids).
SPEC_FILE = "spacer-set.json"


@dataclass(frozen=True)
class SetToMeasure:
    """A set as it is to be measured.

    Args:
        usual: The usual gauge of the process that it was made with.
        lines: Its rods, by step, left before right.
    """

    case: str
    name: str
    process: str
    usual: Gauge
    ways: tuple[Way, ...]
    lines: tuple[Expected, ...]


@dataclass(frozen=True)
class SetLimits:
    """Limits of every rod of a set.

    Args:
        rods: Limits of each rod, in the order of `of.lines`.
        would_do: Instruments (None: the process's usual gauge) and ways that decide on every rod.
        findings: Refusals where some rod has no acceptance zone, and notes.
    """

    of: SetToMeasure
    gauge: Gauge
    way: Way
    rods: tuple[RodLimits, ...]
    would_do: tuple[tuple[Instrument | None, Way], ...]
    findings: tuple[Finding, ...]


def recorded_set(reader: Reader, case: str, name: str | None) -> SetToMeasure:
    """Take a set from the ledger, with the rods that fill its places now.

    Args:
        name: Name of a set; None for the last one made.

    Raises:
        InputError: No such case or set.
        LedgerError: The set is not made.
        RefusedError: It was recorded in a form that this program cannot measure against.
    """
    from labkit.workflow.inspection.judged_set import lay_out

    with reader.snapshot():
        stored, _, bench = lay_out(reader, case, name, {})
    lines = tuple(place.expected for place in bench.places)
    return _to_measure(stored.name, stored.content, bench.ways, lines)


def set_in_folder(folder: Path) -> SetToMeasure:
    """Take a set from its folder.

    Raises:
        InputError: It is no finished set.
    """
    from labkit.documents.spec_reader import read_spec

    path = folder if folder.is_file() else folder / SPEC_FILE
    spec = read_spec(path)
    name, ways = path.resolve().parent.name, ways_of(template_of(spec))
    return _to_measure(name, spec, ways, tuple(lines_of(spec)))


def _to_measure(
    name: str, spec: Spec, ways: tuple[Way, ...], lines: tuple[Expected, ...]
) -> SetToMeasure:
    return SetToMeasure(spec["case"], name, spec["process"]["name"], gauge_of(spec), ways, lines)


def measured_with(of: SetToMeasure, pins: GaugePins) -> SetToMeasure:
    """Give a set as it is to be measured with some set of gauge pins.

    Raises:
        InputError: It has no pin that a way wants.
    """
    for way in of.ways:
        pins.require_for(way)
    return replace(of, ways=tuple(map(pins.measuring, of.ways)))


def set_limits(
    of: SetToMeasure,
    instrument: Instrument | None,
    method: Method | None,
    known: Iterable[Instrument],
    today: date,
    readings: int,
) -> SetLimits:
    """Work out the limits of every rod of a set.

    Args:
        instrument: What it will be measured with; None for the process's usual gauge.
        method: How; None for the first way that decides on every rod.
        known: Instruments that may do where this one does not; those out of calibration do not.

    Returns:
        The limits; where some rod has no acceptance zone that is a refusal among the findings.

    Raises:
        InputError: The template has no such way.
        RefusedError: The instrument does not serve it, or serves none.
    """
    gauge = replace(of.usual, instrument=instrument, readings=readings)
    nominals = [(line.length_mm, line.tolerance_mm) for line in of.lines]
    way = _way(of.ways, method, gauge, nominals)
    rods = tuple(rod_limits(*nominal, way, gauge) for nominal in nominals)
    tools: list[Instrument | None] = [None, *(tool for tool in known if not tool.overdue(today))]
    would_do = tuple(
        (tool, other)
        for tool in tools
        for other in of.ways
        if decides(other, replace(gauge, instrument=tool), nominals)
    )
    findings = (*_too_coarse(of, rods, gauge, would_do), *_notes(gauge, nominals, today))
    return SetLimits(of, gauge, way, rods, would_do, findings)


def gauge_notes(case: Case, process: Process) -> tuple[Finding, ...]:
    """Note, when a set is made, rods on which the process's usual gauge cannot decide.

    Returns:
        At most one note.
    """
    gauge = Gauge(None, process.gauge_uncertainty_mm, process.expansion_per_c)
    rods = [
        (rod.length, rod.tolerance_mm) for step in case.spacer_set.steps
        for rod in (step.left, step.right)
    ]
    ways = ways_of(case.template)
    way = best_way(ways, gauge, rods)
    assert way is not None  # between the centres always is
    narrow = [tolerance for length, tolerance in rods
              if rod_limits(length, tolerance, way, gauge).accepted_mm is None]
    if not narrow:
        return ()
    return (
        note(
            "gauge_too_coarse",
            f"no acceptance zone: by process {process.name} the usual gauge has a standard "
            f"uncertainty of {plain(process.gauge_uncertainty_mm)} mm, too coarse to show that a "
            f"rod lies within ±{plain(min(narrow))} mm; see `labkit limits` for the instruments "
            "that would do",
            "gauge.uncertainty",
        ),
    )


def _way(
    ways: tuple[Way, ...], method: Method | None, gauge: Gauge, rods: list[Nominal]
) -> Way:
    if method is None:
        best = best_way(ways, gauge, rods)
        if best is not None:
            return best
        served = ", ".join(str(way.method) for way in ways if way.role is not Role.CHECK)
        raise RefusedError(
            f"{gauge.name} serves no way that decides on these rods; they are measured {served}; "
            "name another instrument",
            field="instrument", value=gauge.name, allowed=served,
        )
    found = next((way for way in ways if way.method is method), None)
    if found is None:
        known = ", ".join(str(way.method) for way in ways)
        raise InputError(
            f'the way "{method}" does not fit this template; its rods are measured {known}',
            field="way", value=str(method), allowed=known,
        )
    return found


def _too_coarse(
    of: SetToMeasure,
    rods: tuple[RodLimits, ...],
    gauge: Gauge,
    would_do: tuple[tuple[Instrument | None, Way], ...],
) -> Iterable[Finding]:
    none = [(line, each) for line, each in zip(of.lines, rods, strict=True)
            if each.accepted_mm is None]
    if not none:
        return
    way = rods[0].way
    if way.role is Role.CHECK:
        why = f'"{way.method}" ({way.title}) finds gross errors and decides nothing'
    else:
        line, each = min(none, key=lambda pair: pair[1].tolerance_mm)
        why = (
            f'{gauge.name}, measuring "{way.method}" with a standard uncertainty of '
            f"{each.budget.combined_mm:.3f} mm, is too coarse for ±{plain(line.tolerance_mm)} mm"
            f"{_of_fittings(way, of.ways)}"
        )
    count = f"for {len(none)} of {len(rods)} rods" if len(none) < len(rods) else "for any rod"
    advice = f"{_advice(would_do)}{_finer_pins(of, gauge)}"
    yield refused("gauge_too_coarse", f"no acceptance zone {count}: {why}; {advice}", of.name)


def _finer_pins(of: SetToMeasure, gauge: Gauge) -> str:
    """Name the widest tolerance of gauge pins by which the gauge would decide, for each way."""
    rods = [(line.length_mm, line.tolerance_mm) for line in of.lines]
    found = {
        str(way.method): widest for way in of.ways
        if way.gauge_pins_mm and way.play_mm and not decides(way, gauge, rods)
        and (widest := _widest_pins(way, gauge, rods)) is not None
    }
    words = " and ".join(f"{plain(mm)} mm ({method})" for method, mm in found.items())
    return (
        f"; or keep {gauge.name} and use gauge pins that are below their mark by at most {words}, "
        "as `tolerance` in their file then states" if found else ""
    )


def _widest_pins(way: Way, gauge: Gauge, rods: list[Nominal]) -> Decimal | None:
    finer = (one for one in FINER_PINS_MM if one < way.pin_tolerance_mm)
    return next((one for one in finer if decides(way.with_pins(one), gauge, rods)), None)


def _of_fittings(way: Way, ways: tuple[Way, ...]) -> str:
    """Say how much of an uncertainty is the fittings', and which ways are free of it."""
    if not way.play_mm:
        return ""
    free = [str(one.method) for one in ways if not one.play_mm and one.role is not Role.CHECK]
    pins = ", as gauge pins let them through," if way.gauge_pins_mm else ""
    return (
        f" ({uniform(float(way.play_mm)):.3f} mm of it are the fittings' own sizes{pins} of which "
        f"{' and '.join(free)} are free)"
    )


def _advice(would_do: tuple[tuple[Instrument | None, Way], ...]) -> str:
    """Name what would do, each instrument with its ways."""
    by_tool: dict[str, list[str]] = {}
    for tool, way in would_do:
        name = tool.name if tool else "the usual gauge of the process"
        by_tool.setdefault(name, []).append(str(way.method))
    if not by_tool:
        return (
            "none of the known instruments would do: describe a finer one (--instruments), or ask "
            "the prescriber for a wider tolerance"
        )
    return "use " + ", or ".join(f"{name} ({', '.join(ways)})" for name, ways in by_tool.items())


def _notes(gauge: Gauge, rods: list[Nominal], today: date) -> Iterable[Finding]:
    tool, narrow = gauge.instrument, min(tolerance for _, tolerance in rods)
    if tool is None:
        return
    if coarse_scale(gauge, narrow):
        yield note(
            "coarse_scale",
            f"{tool.name} shows steps of {plain(tool.resolution_mm)} mm, more than a tenth of the "
            f"whole tolerance of {plain(2 * narrow)} mm (rule of tens); a finer scale leaves fewer "
            "rods undecided",
            tool.name,
        )
    if tool.overdue(today):
        yield note(
            "calibration_overdue",
            f"the calibration of {tool.name} was due on {tool.calibration_due}; have it calibrated "
            "before it decides on a rod",
            tool.name,
        )
