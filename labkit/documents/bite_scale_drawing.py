"""Draws the bite readings on the gauge's scale: zero, range, registered bite, percent, steps."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from labkit.core.grading.bite import READINGS
from labkit.core.grading.prescription import Bite, Zero
from labkit.core.grading.steps import SpacerSet, Step
from labkit.core.rod.outlines import rectangle
from labkit.documents.drawing import (
    Align,
    Drawing,
    Ink,
    Pen,
    Shade,
    in_rows,
    label,
)
from labkit.documents.figures import on_the_gauge, percent, signed

WIDTH_MM = 174.0
#: Room beside the outermost readings for their words.
EDGE_MM = 19.0
#: Heights below the drawing's upper edge.
_RANGE_Y, _PERCENT_Y, _BAR_Y, _BAR_FOOT_Y, _SCALE_Y = -3.0, -9.0, -12.0, -16.5, -22.0
_BAR_MIDDLE_Y = (_BAR_Y + _BAR_FOOT_Y) / 2
_NUMERAL_Y, _WORDS_Y, _ROW_MM = -26.4, -33.0, 4.6


def bite_scale(bite: Bite, lengths: SpacerSet, words: Mapping[str, Any]) -> Drawing:
    """Draw the bite readings of a set.

    Args:
        words: Fixed words, table [bite_scale] of the texts.

    Returns:
        The drawing: the gauge's scale in mm, above it the protrusive range with percent marks and
        the steps of the set, below it the readings by name.
    """
    told = {name: getattr(bite, name) for name in READINGS}
    readings = {name: float(value) for name, value in told.items() if value is not None}
    assert lengths.range_mm is not None  # a set that is made has one
    axis, ink = _Axis(min(readings.values()), max(readings.values())), Ink()
    _range(ink, axis, readings[lengths.zero], lengths.range_mm, str(words["range"]))
    _steps(ink, axis, readings[lengths.zero], lengths.steps)
    _gauge(ink, axis, words)
    rows = _readings(ink, axis, readings, lengths.zero, words)
    height = -_WORDS_Y + (rows - 1) * _ROW_MM + 2.5
    listed = ", ".join(
        f"{words[name]} {on_the_gauge(value, sign=True)} mm" for name, value in readings.items()
    )
    alt = str(words["alt"]).replace("{readings}", listed)
    return Drawing(WIDTH_MM, height, alt, tuple(ink), corner=(0.0, -height))


class _Axis:
    """Places readings across the drawing."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = math.floor(low), math.ceil(high)
        self._per_mm = (WIDTH_MM - 2 * EDGE_MM) / max(self.high - self.low, 1)

    def __call__(self, reading: float) -> float:
        return EDGE_MM + (reading - self.low) * self._per_mm


def _range(ink: Ink, axis: _Axis, zero: float, span: float, words: str) -> None:
    """Draw the range as a bar with its length above it and percent marks."""
    x0, x1 = axis(zero), axis(zero + span)
    named = label(words.replace("{mm}", on_the_gauge(span)), ((x0 + x1) / 2, _RANGE_Y), 9)
    ink.append(named)
    bar = rectangle(x0, x1, _BAR_FOOT_Y, _BAR_Y)
    ink.fill(bar, shade=Shade.TINT)
    ink.edges(bar, Pen.THIN)
    half = named.width_mm / 2 + 1
    for end, towards in ((x0, 1), (x1, -1)):
        tip = (end, _RANGE_Y)
        ink.line(tip, ((x0 + x1) / 2 - towards * half, _RANGE_Y), Pen.HAIR)
        for rise in (0.8, -0.8):
            ink.line(tip, (end + towards * 1.8, _RANGE_Y + rise), Pen.HAIR)
        ink.line((end, _RANGE_Y + 1.5), (end, _PERCENT_Y + 2.0), Pen.HAIR)
        ink.line((end, _BAR_FOOT_Y), (end, _SCALE_Y), Pen.HAIR)
    for share in range(0, 101, 10 if x1 - x0 > 110 else 20):
        x = axis(zero + span * share / 100)
        ink.line((x, _BAR_Y + 1.2), (x, _BAR_Y))
        ink.append(label(f"{share} %", (x, _PERCENT_Y)))


def _steps(ink: Ink, axis: _Axis, zero: float, steps: Sequence[Step]) -> None:
    """Draw the steps across the bar."""
    for step in steps:
        x = axis(zero + step.advancement_mm)
        if step.start:
            ink.dot((x, _BAR_MIDDLE_Y), 2.4)
        ink.line((x, _BAR_Y), (x, _BAR_FOOT_Y), Pen.VISIBLE)


def _gauge(ink: Ink, axis: _Axis, words: Mapping[str, Any]) -> None:
    """Draw the gauge's scale."""
    ink.line((axis(axis.low) - 2, _SCALE_Y), (axis(axis.high) + 2, _SCALE_Y), Pen.VISIBLE)
    for name, height in (("gauge", _SCALE_Y), ("steps", _BAR_MIDDLE_Y)):
        ink.append(label(str(words[name]), (0, height), 8, Align.LEFT, most_mm=EDGE_MM - 4.0))
    every = 1 if axis.high - axis.low <= 16 else 5
    for reading in range(axis.low, axis.high + 1):
        numbered, x = reading % every == 0, axis(reading)
        ink.line((x, _SCALE_Y), (x, _SCALE_Y - (2.2 if numbered else 1.2)))
        if numbered:
            ink.append(label(signed(reading, 0), (x, _NUMERAL_Y), 8))


def _readings(
    ink: Ink, axis: _Axis, readings: Mapping[str, float], zero: Zero, words: Mapping[str, Any]
) -> int:
    """Name the readings below the scale, and give the number of rows that this takes."""
    named = []
    for name, value in readings.items():
        text = f"{words[name]} {on_the_gauge(value, sign=True)}"
        if name == zero:
            text += f" ({percent(0.0)})"
        one = label(text, (axis(value), _WORDS_Y), 9, bold=name in (zero, "registered"))
        half = one.width_mm / 2
        named.append(replace(one, at=(min(max(one.at[0], half), WIDTH_MM - half), one.at[1])))
    rows = in_rows([one.width_mm for one in named], [one.at[0] for one in named])
    for (name, value), one, row in zip(readings.items(), named, rows, strict=True):
        at, drop = axis(value), row * _ROW_MM
        ink.line((at, _NUMERAL_Y - 1.6), (at, _WORDS_Y - drop + 2.2), Pen.HAIR)
        (ink.square if name == "registered" else ink.dot)((at, _SCALE_Y), 2.2)
        ink.append(replace(one, at=(one.at[0], one.at[1] - drop)))
    return max(rows) + 1
