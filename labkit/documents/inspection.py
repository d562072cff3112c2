"""Facts of the inspection form, and the same as a CSV to fill in."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from labkit.catalog.lettering import load_lettering
from labkit.core.case.identifier import grouped
from labkit.core.gauging.fitting_gauges import FittingCheck, fittings_to_check
from labkit.core.gauging.ways_of_measuring import Role, Way, ways_of
from labkit.core.rod.fittings import PIN_TOLERANCE_MM
from labkit.core.rod.rods import EXPANSION_PER_C, RodTemplate
from labkit.core.spreadsheet import cell
from labkit.documents.figures import MINUS
from labkit.documents.frame import frame_facts
from labkit.documents.rod_values import rod_of, template_of
from labkit.documents.way_picture import way_svg
from labkit.qa.decision.conformance import DECISION_RULE
from labkit.qa.decision.limits import Gauge, RodLimits, best_way, decides, rod_limits

TEMPLATE = "inspection-form.typ"
READINGS = 3
#: What a way is good for that decides on some rod with another gauge than the usual one alone.
FINER = "decides with a finer gauge"
_SYMBOLS = {
    "L": "functional length", "R": "reading", "d": "gauge pin", "D": "bore", "P": "crosspin",
    "B": "ball", "H": "boss",
}

#: Columns of inspection-form.csv with their meaning. Fields are separated by commas and quoted
#: where needed, the decimal sign is a point, the text is UTF-8, lines end with a line feed.
CSV_COLUMNS = (
    ("schema", "version of this form, 1"),
    ("case", "case number; with an apostrophe before it where a spreadsheet would compute it"),
    ("revision", "revision of the set"),
    ("identifier", "ten digits of the rod, in groups with hyphens, so that they stay text"),
    ("step", "number of the step, from 1"),
    ("side", "left or right"),
    ("label", "functional length as engraved, mm, without the side mark"),
    ("tolerance_mm", "± of the functional length"),
    ("way", "what is measured: over, between, half-sum, over-less-own, centres or ends"),
    ("gauge_pins_mm", "diameter of the gauge pins the limits are for; empty without pins"),
    ("subtract_mm", "taken off a reading to give the functional length; negative: put on"),
    ("nominal_mm", "reading of a rod in the middle of everything"),
    ("lower_mm", "least mean reading that conforms; empty where the gauge is too coarse for any"),
    ("upper_mm", "greatest mean reading that conforms"),
    *(
        (f"reading_{k}_mm", f"to fill in: reading {k}; half-sum, over-less-own: what they give")
        for k in range(1, READINGS + 1)
    ),
    ("label_read", "to fill in: the label as read from the rod"),
    ("fittings", "to fill in: whether both fittings are within their limits, yes or no"),
    ("result", "to fill in: conforms, does not or undecided"),
    ("instrument", "to fill in: identification of the instrument"),
    ("calibration_due", "to fill in: when its calibration is due, such as 2031-09-30"),
    ("temperature_c", "to fill in: temperature of the rods, °C"),
    ("decision_rule", "to fill in: where another rule was agreed than the form's"),
    ("measured_on", "to fill in: date of the readings, such as 2031-03-20"),
    ("measured_by", "to fill in: code of who measured"),
    ("checked_on", "to fill in: date of the check, such as 2031-03-21"),
    ("checked_by", "to fill in: code of who checked"),
    ("material_lot", "to fill in: lot of the material"),
    ("remark", "to fill in: anything else"),
)
_TO_FILL_IN = sum(1 for _, meaning in CSV_COLUMNS if meaning.startswith("to fill in"))


class Line(NamedTuple):
    """One rod to be measured."""

    identifier: str
    step: int
    side: str
    label: str
    mark: str
    length: Decimal
    tolerance: Decimal


def facts(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Work out what stands on the inspection form.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        JSON content for the template `inspection-form.typ`; numbers are texts, ready for paper.
    """
    template, lines, gauge = template_of(spec), lines_of(spec), gauge_of(spec)
    ways = ways_of(template)
    first = chosen_way(template, lines, gauge)
    others = [way for way in ways if way.method is not first.method]
    rods = [(line.length, line.tolerance) for line in lines]
    rows = [_row(line, first, gauge) for line in lines]
    return {
        **frame_facts(spec),
        "template": template.title,
        "gauge_uncertainty": f"{gauge.uncertainty_mm:.3f}",
        "length_uncertainty": f"{gauge.budget(first, lines[0].length).combined_mm:.4f}",
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
        "others": [_others(line, others, gauge) for line in _distinct(lines)],
    }


def pictures(spec: Mapping[str, Any]) -> dict[str, bytes]:
    """Draw the ways of measuring on the set's middle rod.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        SVG files by name, "way-over.svg" and so on.
    """
    template = template_of(spec)
    part = spec["parts"][len(spec["parts"]) // 2]
    rod, lettering = rod_of(part, template), load_lettering()
    return {f"way-{way.method}.svg": way_svg(rod, way, lettering) for way in ways_of(template)}


def csv_file(spec: Mapping[str, Any]) -> bytes:
    """Give the inspection form as a CSV to fill in: one line for each rod.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        The file; columns as `CSV_COLUMNS` tells. Text that a spreadsheet would take for a formula
        has an apostrophe before it.
    """
    template, lines, gauge = template_of(spec), lines_of(spec), gauge_of(spec)
    way = chosen_way(template, lines, gauge)
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(name for name, _ in CSV_COLUMNS)
    for line in lines:
        limits = rod_limits(line.length, line.tolerance, way, gauge)
        lower, upper = limits.accepted_reading_mm or ("", "")
        writer.writerow([
            "1",
            cell(spec["case"]),
            spec["revision"],
            grouped(line.identifier).replace(" ", "-"),
            line.step,
            line.side,
            line.label,
            line.tolerance,
            way.method,
            " ".join(f"{pin}" for pin in dict.fromkeys(way.gauge_pins_mm)),
            f"{way.shift_mm:f}",
            _nominal(limits),
            lower,
            upper,
            *[""] * _TO_FILL_IN,
        ])
    return stream.getvalue().encode()


def companions(spec: Mapping[str, Any]) -> dict[str, bytes]:
    """Give the files that go with the form, by ending."""
    return {"csv": csv_file(spec)}


def lines_of(spec: Mapping[str, Any]) -> list[Line]:
    """List the rods of a set one by one, by step, left before right.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        One line for each piece.
    """
    lines = [
        Line(
            identifier=use["identifier"],
            step=use["step"],
            side=use["side"],
            label=part["label"],
            mark=part["mark"],
            length=Decimal(part["length_mm"]),
            tolerance=Decimal(repr(spec["tolerances_mm"][use["step"] - 1][use["side"]])),
        )
        for part in spec["parts"]
        for use in part["uses"]
    ]
    return sorted(lines, key=lambda line: (line.step, line.side))


def gauge_of(spec: Mapping[str, Any]) -> Gauge:
    """Give the usual gauge of the process that a set was made with."""
    process = spec["process"]
    expansion = float(process.get("expansion_per_c", EXPANSION_PER_C))
    return Gauge(None, float(process["gauge_uncertainty_mm"]), expansion)


def chosen_way(template: RodTemplate, lines: list[Line], gauge: Gauge) -> Way:
    """Pick the way of measuring that decides on every rod of the set, if one does."""
    way = best_way(ways_of(template), gauge, [(line.length, line.tolerance) for line in lines])
    assert way is not None  # every template has ways that are more than a check
    return way


def _row(line: Line, way: Way, gauge: Gauge) -> dict[str, Any]:
    limits = rod_limits(line.length, line.tolerance, way, gauge)
    lower, upper = limits.specification_reading_mm
    return {
        "identifier": grouped(line.identifier),
        "step": line.step,
        "side": line.side,
        "label": line.label + line.mark,
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
    return {
        "method": str(way.method),
        "title": way.title,
        "instrument": way.instrument,
        "formula": way.formula,
        "rule": _rule(way),
        "reason": way.reason,
        "role": role,
        "exact": way.play_mm == 0,
    }


def _rule(way: Way) -> str:
    """Say in numbers what is done with a reading.

    >>> from labkit.core.gauging.ways_of_measuring import Method, shifted_way
    >>> from labkit.core.rod.rods import Eye
    >>> eye = Eye(2.5, 7.5, "H8")
    >>> _rule(shifted_way(Method.OVER, (eye, eye)))
    'length = reading − 2.488 mm, within ±0.012 mm'
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
        "size": f"{check.size.nominal_mm} {check.fit}",
        "lower": f"{check.size.least_mm:.3f}",
        "upper": f"{check.size.most_mm:.3f}",
        "pins": f"{check.go_pin_mm} enters, {check.no_go_pin_mm} does not" if pins else "",
    }


def _distinct(lines: list[Line]) -> list[Line]:
    """Take each label once: the same length may be worn on both sides."""
    seen: dict[tuple[Decimal, Decimal], Line] = {}
    for line in lines:
        seen.setdefault((line.length, line.tolerance), line)
    return sorted(seen.values(), key=lambda line: -line.length)


def _others(line: Line, ways: list[Way], gauge: Gauge) -> dict[str, Any]:
    return {"label": line.label, "cells": list(_other_cells(line, ways, gauge))}


def _other_cells(line: Line, ways: list[Way], gauge: Gauge) -> Iterator[dict[str, str]]:
    for way in ways:
        limits = rod_limits(line.length, line.tolerance, way, gauge)
        if way.role is Role.CHECK:
            widened = way.widened(line.length, line.tolerance)
            text = f"{widened.lower_mm} to {widened.upper_mm}"
        else:
            text = _accepted(limits) or "none"
        yield {"nominal": _nominal(limits), "limits": text}
