"""Draws the bite readings on the gauge's scale: zero, range, registered bite, percent, steps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from labkit.documents.drawing import Box, Drawing, Line, Mark, Shape, Words, in_rows
from labkit.documents.figures import as_given, percent, signed

WIDTH_MM = 174.0
#: Room beside the outermost readings for their words.
EDGE_MM = 19.0
_RANGE_Y, _PERCENT_Y, _BAR_Y, _BAR_MM, _SCALE_Y = 3.0, 9.0, 12.0, 4.5, 22.0
_NUMERAL_Y, _WORDS_Y, _ROW_MM = 26.4, 33.0, 4.6
READINGS = ("retruded", "habitual", "registered", "protruded")


def bite_scale(spec: Mapping[str, Any], words: Mapping[str, Any]) -> Drawing:
    """Draw the bite readings of a set.

    Args:
        spec: Content of spacer-set.json.
        words: Fixed words, table [bite_scale] of the texts.

    Returns:
        The drawing: the gauge's scale in mm, above it the protrusive range with percent marks and
        the steps of the set, below it the readings by name.
    """
    bite, lengths = spec["prescription"]["bite"], spec["lengths"]
    readings = {name: bite[name] for name in READINGS if bite[name] is not None}
    axis = _Axis(min(readings.values()), max(readings.values()))
    zero, protruded = readings[lengths["zero"]], readings["protruded"]
    shapes: list[Shape] = [
        *_range(axis, zero, protruded, lengths, words),
        *_gauge(axis, words),
    ]
    named, rows = _readings(axis, readings, str(lengths["zero"]), words)
    height = _WORDS_Y + (rows - 1) * _ROW_MM + 2.5
    listed = ", ".join(
        f"{words[name]} {as_given(value, sign=True)} mm" for name, value in readings.items()
    )
    alt = str(words["alt"]).replace("{readings}", listed)
    return Drawing(WIDTH_MM, height, alt, (*shapes, *named))


class _Axis:
    """Places readings across the drawing."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = math.floor(low), math.ceil(high)
        self._per_mm = (WIDTH_MM - 2 * EDGE_MM) / max(self.high - self.low, 1)

    def __call__(self, reading: float) -> float:
        return EDGE_MM + (reading - self.low) * self._per_mm


def _range(
    axis: _Axis, zero: float, protruded: float, lengths: Mapping[str, Any], words: Mapping[str, Any]
) -> list[Shape]:
    x0, x1, span = axis(zero), axis(protruded), protruded - zero
    label = Words(
        (x0 + x1) / 2, _RANGE_Y,
        str(words["range"]).replace("{mm}", as_given(lengths["range_mm"])), size_pt=9,
    )
    half = label.width_mm / 2 + 1
    shapes: list[Shape] = [label, Box(x0, _BAR_Y, x1 - x0, _BAR_MM)]
    for end, towards in ((x0, 1), (x1, -1)):
        shapes += [
            Line(end, _RANGE_Y, label.x - towards * half, _RANGE_Y, "hair"),
            Line(end, _RANGE_Y, end + towards * 1.8, _RANGE_Y - 0.8, "hair"),
            Line(end, _RANGE_Y, end + towards * 1.8, _RANGE_Y + 0.8, "hair"),
            Line(end, _RANGE_Y - 1.5, end, _PERCENT_Y - 2.0, "hair"),
            Line(end, _BAR_Y + _BAR_MM, end, _SCALE_Y, "hair"),
        ]
    every = 10 if x1 - x0 > 110 else 20
    for p in range(0, 101, every):
        x = axis(zero + span * p / 100)
        shapes += [Line(x, _BAR_Y - 1.2, x, _BAR_Y), Words(x, _PERCENT_Y, f"{p} %")]
    for step in lengths["steps"]:
        x = axis(zero + step["advancement_mm"])
        if step["start"]:
            shapes.append(Mark(x, _BAR_Y + _BAR_MM / 2, "dot", 2.4))
        shapes.append(Line(x, _BAR_Y, x, _BAR_Y + _BAR_MM, "strong"))
    return shapes


def _gauge(axis: _Axis, words: Mapping[str, Any]) -> list[Shape]:
    shapes: list[Shape] = [
        Line(axis(axis.low) - 2, _SCALE_Y, axis(axis.high) + 2, _SCALE_Y, "strong"),
        Words(0, _SCALE_Y, str(words["gauge"]), "start", 8),
        Words(0, _BAR_Y + _BAR_MM / 2, str(words["steps"]), "start", 8),
    ]
    every = 1 if axis.high - axis.low <= 16 else 5
    for reading in range(axis.low, axis.high + 1):
        numbered = reading % every == 0
        x = axis(reading)
        shapes.append(Line(x, _SCALE_Y, x, _SCALE_Y + (2.2 if numbered else 1.2)))
        if numbered:
            shapes.append(Words(x, _NUMERAL_Y, signed(reading, 0), size_pt=8))
    return shapes


def _readings(
    axis: _Axis, readings: Mapping[str, float], zero: str, words: Mapping[str, Any]
) -> tuple[list[Shape], int]:
    named = []
    for name, value in readings.items():
        text = f"{words[name]} {as_given(value, sign=True)}"
        if name == zero:
            text += f" ({percent(0.0)})"
        named.append(Words(axis(value), 0.0, text, size_pt=9, bold=name in (zero, "registered")))
    placed = [min(max(w.x, w.width_mm / 2), WIDTH_MM - w.width_mm / 2) for w in named]
    rows = in_rows([w.width_mm for w in named], placed)
    shapes: list[Shape] = []
    for (name, value), word, x, row in zip(readings.items(), named, placed, rows, strict=True):
        y = _WORDS_Y + row * _ROW_MM
        at = axis(value)
        shapes += [
            Line(at, _NUMERAL_Y + 1.6, at, y - 2.2, "hair"),
            Mark(at, _SCALE_Y, "square" if name == "registered" else "dot", 2.4),
            Words(x, y, word.text, size_pt=9, bold=word.bold),
        ]
    return shapes, max(rows) + 1
