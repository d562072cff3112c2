"""Draws advancement against step, as asked for and as made, and what rounding changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from labkit.documents.drawing import Drawing, Line, Mark, Shape, Words
from labkit.documents.figures import fixed, signed, ticks

WIDTH_MM = 84.0
NARROW_MM = 62.0
#: More steps than this would crowd the narrow form.
MOST_NARROW_STEPS = 8
_LEFT, _RIGHT, _TOP, _PLOT, _GAP, _STRIP = 11.0, 3.0, 6.5, 28.0, 8.0, 9.0
_HEIGHT = _TOP + _PLOT + _GAP + _STRIP + 8
#: Least space between the numbers of two steps.
_NUMBER_GAP = 0.8
#: Half the height of the rounding strip, at least: half of the usual grid of 0.1 mm.
LEAST_STRIP = 0.05


def step_plot(
    steps: Sequence[Mapping[str, Any]], words: Mapping[str, Any], width_mm: float = WIDTH_MM
) -> Drawing:
    """Draw advancement against the number of the step.

    Args:
        words: Fixed words, table [step_plot] of the texts.

    Returns:
        The drawing: above, advancement asked for (rings) and made (dots); below, made minus asked
        on a scale of its own.
    """
    asked = [step["advancement_mm"] for step in steps]
    made = [step["made"]["advancement_mm"] for step in steps]
    across = _Across(len(steps), width_mm)
    highest = max(*asked, *made, 1.0)
    shapes = [
        *_key(words, across.right + _RIGHT),
        *_above(across, asked, made, highest, str(words["advancement"])),
        *_below(across, [m - a for m, a in zip(made, asked, strict=True)]),
        Words(0, _TOP + _PLOT + _GAP - 3.4, str(words["rounding"]), "start", 8),
        *_numbers(across, [step["start"] for step in steps]),
        Words(across.middle, _HEIGHT - 1.5, str(words["step"]), size_pt=8.5),
    ]
    pairs = enumerate(zip(asked, made, strict=True), 1)
    listed = "; ".join(f"{n}: {fixed(a, 2)}, {fixed(m, 2)}" for n, (a, m) in pairs)
    return Drawing(
        width_mm, _HEIGHT, str(words["alt"]).replace("{values}", listed), tuple(shapes)
    )


class _Across:
    """Places step numbers across the drawing."""

    def __init__(self, count: int, width_mm: float) -> None:
        self.right = width_mm - _RIGHT
        self.room = (self.right - _LEFT) / count

    @property
    def middle(self) -> float:
        return (_LEFT + self.right) / 2

    def __call__(self, number: int) -> float:
        return _LEFT + (number - 0.5) * self.room


def _numbers(across: _Across, starts: Sequence[bool]) -> list[Shape]:
    """Number the steps: every one, every second, every fifth and so on, and always the start."""
    labels = [
        Words(across(n), _HEIGHT - 5.5, str(n), size_pt=8, bold=start)
        for n, start in enumerate(starts, 1)
    ]
    room = max(label.width_mm for label in labels) + _NUMBER_GAP
    every = next((e for e in (1, 2, 5, 10) if e * across.room >= room), 20)
    kept = [label for label in labels if label.bold]
    for n, label in enumerate(labels, 1):
        clear = all(abs(label.x - other.x) >= room for other in kept if other is not label)
        if clear and (n == 1 or n % every == 0):
            kept.append(label)
    return [label for label in labels if label in kept]


def _key(words: Mapping[str, Any], width_mm: float) -> list[Shape]:
    second = Words(width_mm - _RIGHT, 2.5, str(words["made"]), "end")
    at = second.x - second.width_mm - 2.5
    first = Words(at - 4, 2.5, str(words["asked"]), "end")
    return [
        second, Mark(at, 2.5, "dot", 1.4), first,
        Mark(first.x - first.width_mm - 2.5, 2.5, "ring", 2.6),
    ]


def _above(
    across: _Across, asked: Sequence[float], made: Sequence[float], highest: float, title: str
) -> list[Shape]:
    def y(value: float) -> float:
        return _TOP + _PLOT * (1 - value / (highest * 1.04))

    shapes: list[Shape] = [Words(0, 2.5, title, "start")]
    for value in ticks(0, highest, 8):
        shapes += [
            Line(_LEFT, y(value), across.right, y(value), "hair"),
            Words(_LEFT - 1.5, y(value), fixed(value, 0 if highest > 3 else 1), "end", 8),
        ]
    points = [(across(n), y(value)) for n, value in enumerate(asked, 1)]
    shapes += [Line(*a, *b) for a, b in pairwise(points)]
    shapes += [Mark(x, v, "ring", 2.6) for x, v in points]
    shapes += [Mark(across(n), y(value), "dot", 1.4) for n, value in enumerate(made, 1)]
    shapes.append(Line(_LEFT, _TOP, _LEFT, _TOP + _PLOT))
    return shapes


def _below(across: _Across, differences: Sequence[float]) -> list[Shape]:
    top = _TOP + _PLOT + _GAP
    most = max(LEAST_STRIP, *(abs(d) for d in differences))
    half = _STRIP / 2

    def y(value: float) -> float:
        return top + half - half * value / most

    shapes: list[Shape] = [Line(_LEFT, top, _LEFT, top + _STRIP)]
    for value in (most, 0.0, -most):
        shapes += [
            Line(_LEFT, y(value), across.right, y(value), "thin" if value == 0 else "hair"),
            Words(_LEFT - 1.5, y(value), signed(value, 2), "end", 7.5),
        ]
    for n, value in enumerate(differences, 1):
        shapes += [Line(across(n), y(0), across(n), y(value), "strong"),
                   Mark(across(n), y(value), "dot", 1.4)]
    return shapes
