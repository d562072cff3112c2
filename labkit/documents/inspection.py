"""Facts of the inspection form, and the same as a CSV to fill in."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.core.case.case_standing import CaseRod
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import WHO_HAS_IT, RodState
from labkit.core.gauging.fitting_gauges import FittingCheck, fittings_to_check
from labkit.core.gauging.ways_of_measuring import Role, Way, ways_of
from labkit.core.jsonable import jsonable
from labkit.core.rod.fittings import PIN_TOLERANCE_MM
from labkit.core.rod.rods import EXPANSION_PER_C, RodTemplate
from labkit.core.rod.tolerances import class_of
from labkit.documents.figures import MINUS
from labkit.documents.frame import frame_facts
from labkit.documents.set_spec import Spec, rod_of, template_of
from labkit.documents.standing import at_step, words_on
from labkit.documents.svg import to_svg
from labkit.documents.way_picture import way_drawing
from labkit.qa.decision.bench import Place
from labkit.qa.decision.conformance import DECISION_RULE
from labkit.qa.decision.limits import Gauge, RodLimits, best_way, decides, rod_limits
from labkit.qa.decision.readings import Expected
from labkit.qa.files.form_columns import COLUMNS, blank_line
from labkit.qa.files.form_row import FormLine

#: What a way is good for that decides on some rod with another gauge than the usual one alone.
FINER = "decides with a finer gauge"
_SYMBOLS = {
    "L": "functional length", "R": "reading", "d": "gauge pin", "D": "bore", "P": "crosspin",
    "B": "ball", "H": "boss",
}

def facts(spec: Spec) -> dict[str, Any]:
    """Work out what stands on the inspection form."""
    template, lines, gauge = template_of(spec), lines_of(spec), gauge_of(spec)
    ways = ways_of(template)
    first = chosen_way(template, lines, gauge)
    others = [way for way in ways if way.method is not first.method]
    rods = [(line.length_mm, line.tolerance_mm) for line in lines]
    there = lines_there(spec)
    rows = [{**_row(line, first, gauge), "mark": _mark(spec, line)} for line in there]
    return {
        **frame_facts(spec),
        "template": template.title,
        "gauge_uncertainty": f"{gauge.uncertainty_mm:.3f}",
        "length_uncertainty": f"{gauge.budget(first, lines[0].length_mm).combined_mm:.4f}",
        "decision_rule": DECISION_RULE,
        "too_coarse": sum(row["accepted"] is None for row in rows),
        "gauge_pins": bool(first.gauge_pins_mm),
        "symbols": _symbols(ways),
        "pin_tolerance": str(PIN_TOLERANCE_MM),
        "ways": [
            _way_facts(way, way is first, decides(way, gauge, rods)) for way in (first, *others)
        ],
        "fittings": [_fitting_facts(check) for check in fittings_to_check(template)],
        "rows": rows,
        "left_out": [_left_out(spec, line) for line in lines if line not in there],
        "others": [_others(line, others, gauge) for line in _distinct(there)],
    }


def pictures(spec: Spec) -> dict[str, bytes]:
    """Draw the ways of measuring on the set's middle rod.

    Returns:
        SVG files by name, "way-over.svg" and so on.
    """
    template = template_of(spec)
    part = spec["parts"][len(spec["parts"]) // 2]
    rod, lettering = rod_of(part, template), load_lettering()
    return {
        f"way-{way.method}.svg": to_svg(way_drawing(rod, way, lettering))
        for way in ways_of(template)
    }


def csv_file(spec: Spec) -> bytes:
    """Give the inspection form as a CSV to fill in: one line for each rod.

    Returns:
        The file; columns as `form_columns.COLUMNS` tells.
    """
    template, lines, gauge = template_of(spec), lines_of(spec), gauge_of(spec)
    way = chosen_way(template, lines, gauge)
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(column.name for column in COLUMNS)
    for rod in lines_there(spec):
        place = Place(rod, spec["revision"], rod.step, gauge.uncertainty_mm, gauge.expansion_per_c)
        writer.writerow(blank_line(FormLine(spec["case"], place, way)))
    return stream.getvalue().encode()


def companions(spec: Spec) -> dict[str, bytes]:
    """Give the files that go with the form, by ending."""
    return {"csv": csv_file(spec)}


def lines_of(spec: Spec) -> list[Expected]:
    """List the rods of a set one by one, by step, left before right."""
    lines = [
        Expected(
            identifier=use["identifier"],
            step=use["step"],
            side=use["side"],
            label=part["label"],
            mark=part["mark"],
            length_mm=Decimal(part["length_mm"]),
            tolerance_mm=Decimal(repr(spec["tolerances_mm"][use["step"] - 1][use["side"]])),
        )
        for part in spec["parts"]
        for use in part["uses"]
    ]
    return sorted(lines, key=lambda line: (line.step, line.side))


def lines_there(spec: Spec) -> list[Expected]:
    """List the rods of a set that can be measured: in circulation, or returned to the lab."""
    return [line for line in lines_of(spec) if at_step(spec, line.step) is None
            or ((rod := _now(spec, line)) and (rod.in_circulation or _is_back(rod)))]


def _now(spec: Spec, line: Expected) -> CaseRod | None:
    """Give a rod as it is now; None where another has its place, or nobody knows."""
    pair = at_step(spec, line.step)
    rods = [] if pair is None else [*pair.rods.values(), *pair.gone.values()]
    return next((rod for rod in rods if rod.identifier == line.identifier), None)


def _is_back(rod: CaseRod) -> bool:
    return rod.state is RodState.RETURNED


def _mark(spec: Spec, line: Expected) -> str:
    """Give the words at a rod's row; empty where there is nothing to be said of it."""
    rod = _now(spec, line)
    if rod is not None and _is_back(rod):
        return f"{WHO_HAS_IT[rod.state]} since {rod.since}: not in circulation"
    return words_on(spec).rod(at_step(spec, line.step), line.identifier)


def _left_out(spec: Spec, line: Expected) -> str:
    """Name a rod that has no row, and say what became of it."""
    rod = _now(spec, line)
    became = "replaced by another" if rod is None else f"{rod.state} since {rod.since}"
    return f"step {line.step}, {line.side}, {line.engraved} ({grouped(line.identifier)}): {became}"


def gauge_of(spec: Spec) -> Gauge:
    """Give the usual gauge of the process that a set was made with."""
    process = spec["process"]
    expansion = float(process.get("expansion_per_c", EXPANSION_PER_C))
    return Gauge(None, float(process["gauge_uncertainty_mm"]), expansion)


def chosen_way(template: RodTemplate, lines: list[Expected], gauge: Gauge) -> Way:
    """Pick the way of measuring that decides on every rod of the set, if one does."""
    rods = [(line.length_mm, line.tolerance_mm) for line in lines]
    way = best_way(ways_of(template), gauge, rods)
    assert way is not None  # every template has ways that are more than a check
    return way


def _row(line: Expected, way: Way, gauge: Gauge) -> dict[str, Any]:
    limits = rod_limits(line.length_mm, line.tolerance_mm, way, gauge)
    lower, upper = limits.specification_reading_mm
    return {
        "identifier": grouped(line.identifier),
        "step": line.step,
        "side": line.side,
        "label": line.engraved,
        "nominal": _nominal(limits),
        "specification": f"{lower:.3f} to {upper:.3f}",
        "accepted": _accepted(limits),
    }


def _nominal(limits: RodLimits) -> str:
    """Reading of a rod in the middle of everything."""
    return f"{limits.length_mm + limits.way.shift_mm:.3f}"


def _accepted(limits: RodLimits) -> str | None:
    """Acceptance limits of the mean reading, None where the gauge is too coarse for any."""
    accepted = limits.accepted_reading_mm
    return None if accepted is None else f"{accepted[0]} to {accepted[1]}"


def _way_facts(way: Way, chosen: bool, decided: bool) -> dict[str, Any]:
    if way.role is Role.CHECK or (decided and not chosen):
        role = str(way.role if way.role is Role.CHECK else Role.ALSO)
    else:
        role = str(Role.FIRST) if chosen else FINER
    return {**jsonable(way), "rule": _rule(way), "role": role, "exact": way.play_mm == 0}


def _rule(way: Way) -> str:
    """Say in numbers what is done with a reading.

    >>> from labkit.core.gauging.ways_of_measuring import Method, shifted_way
    >>> from labkit.core.rod.rods import Eye
    >>> eye = Eye(2.5, 7.5, "H8")
    >>> _rule(shifted_way(Method.OVER, (eye, eye)))
    'length = reading − 2.488 mm, within ±0.018 mm'
    """
    if way.play_mm == 0:
        return "gives the length itself"
    sign = MINUS if way.shift_mm > 0 else "+"
    return (
        f"length = reading {sign} {_short(abs(way.shift_mm))} mm, within ±{_short(way.play_mm)} mm"
    )


def _symbols(ways: tuple[Way, ...]) -> str:
    """Explain the letters in the formulas of a template's ways.

    >>> from labkit.core.gauging.ways_of_measuring import Method, shifted_way
    >>> from labkit.core.rod.rods import Ball
    >>> ball = Ball(4.0, 2.4, 2.6, "h9")
    >>> _symbols((shifted_way(Method.OVER, (ball, ball)),))
    'L: functional length; R: reading; B: ball; sizes are diameters, the mean of both where alike.'
    """
    used = {letter for way in ways for letter in way.formula.replace(",", " ").split()}
    used |= {letter.strip("()") for letter in used}
    named = "; ".join(f"{letter}: {word}" for letter, word in _SYMBOLS.items() if letter in used)
    return f"{named}; sizes are diameters, the mean of both where alike."


def _short(value: Decimal) -> str:
    """Write a size with three decimals, with four where they are needed."""
    text = f"{value:.4f}"
    return text[:-1] if text.endswith("0") else text


def _fitting_facts(check: FittingCheck) -> dict[str, Any]:
    pins = check.go_pin_mm is not None
    return {
        "what": check.what,
        "size": f"{check.size.nominal_mm} {class_of(check.fit)}".rstrip(),
        "lower": f"{check.size.least_mm:.3f}",
        "upper": f"{check.size.most_mm:.3f}",
        "pins": f"{check.go_pin_mm} enters, {check.no_go_pin_mm} does not" if pins else "",
    }


def _distinct(lines: list[Expected]) -> list[Expected]:
    """Take each label once: the same length may be worn on both sides."""
    seen: dict[tuple[Decimal, Decimal], Expected] = {}
    for line in lines:
        seen.setdefault((line.length_mm, line.tolerance_mm), line)
    return sorted(seen.values(), key=lambda line: -line.length_mm)


def _others(line: Expected, ways: list[Way], gauge: Gauge) -> dict[str, Any]:
    return {"label": line.label, "cells": list(_other_cells(line, ways, gauge))}


def _other_cells(line: Expected, ways: list[Way], gauge: Gauge) -> Iterator[dict[str, str]]:
    for way in ways:
        limits = rod_limits(line.length_mm, line.tolerance_mm, way, gauge)
        if way.role is Role.CHECK:
            widened = way.widened(line.length_mm, line.tolerance_mm)
            text = f"{widened.lower_mm} to {widened.upper_mm}"
        else:
            text = _accepted(limits) or "none"
        yield {"nominal": _nominal(limits), "limits": text}
