"""Draws advancement against step, as asked for and as made, and what rounding changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from labkit.core.grading.steps import Step
from labkit.documents.drawing import Align, Drawing, Ink, Pen, label
from labkit.documents.figures import fixed, signed, ticks

WIDTH_MM = 84.0
NARROW_MM = 62.0
#: More steps than this would crowd the narrow form.
MOST_NARROW_STEPS = 8
_LEFT, _RIGHT, _TOP, _PLOT, _GAP, _STRIP = 11.0, 3.0, 6.5, 28.0, 8.0, 9.0
_HEIGHT = _TOP + _PLOT + _GAP + _STRIP + 8
_STRIP_TOP = -_TOP - _PLOT - _GAP
#: Least space between the numbers of two steps.
_NUMBER_GAP = 0.8
#: Half the height of the rounding strip, at least: half of the usual grid of 0.1 mm.
LEAST_STRIP = 0.05


def step_plot(
    steps: Sequence[Step], words: Mapping[str, Any], width_mm: float = WIDTH_MM
) -> Drawing:
    """Draw advancement against the number of the step.

    Args:
        words: Fixed words, table [step_plot] of the texts.

    Returns:
        The drawing: above, advancement asked for (rings) and made (dots); below, made minus asked
        on a scale of its own.
    """
    asked = [step.advancement_mm for step in steps]
    made = [step.made.advancement_mm for step in steps]
    across, ink = _Across(len(steps), width_mm), Ink()
    _key(ink, words, across.right)
    ink.append(label(str(words["advancement"]), (0, -2.5), align=Align.LEFT))
    _above(ink, across, asked, made)
    ink.append(label(str(words["rounding"]), (0, _STRIP_TOP + 3.4), 8, Align.LEFT))
    _below(ink, across, [m - a for m, a in zip(made, asked, strict=True)])
    _numbers(ink, across, [step.start for step in steps])
    ink.append(label(str(words["step"]), (across.middle, 1.5 - _HEIGHT)))
    pairs = enumerate(zip(asked, made, strict=True), 1)
    listed = "; ".join(f"{n}: {fixed(a, 2)}, {fixed(m, 2)}" for n, (a, m) in pairs)
    alt = str(words["alt"]).replace("{values}", listed)
    return Drawing(width_mm, _HEIGHT, alt, tuple(ink), corner=(0.0, -_HEIGHT))


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


def _numbers(ink: Ink, across: _Across, starts: Sequence[bool]) -> None:
    """Number the steps: every one, every second, every fifth and so on, and always the start."""
    labels = [
        label(str(n), (across(n), 5.5 - _HEIGHT), 8, bold=start)
        for n, start in enumerate(starts, 1)
    ]
    room = max(one.width_mm for one in labels) + _NUMBER_GAP
    every = next((e for e in (1, 2, 5, 10) if e * across.room >= room), 20)
    kept = [one for one in labels if one.bold]
    for n, one in enumerate(labels, 1):
        clear = all(abs(one.at[0] - other.at[0]) >= room for other in kept if other is not one)
        if clear and (n == 1 or n % every == 0):
            kept.append(one)
    ink += [one for one in labels if one in kept]


def _key(ink: Ink, words: Mapping[str, Any], right: float) -> None:
    """Say from the right what dots and rings are."""
    for name, mark, size in (("made", ink.dot, 1.4), ("asked", ink.ring, 2.6)):
        one = label(str(words[name]), (right, -2.5), align=Align.RIGHT)
        ink.append(one)
        mark((right - one.width_mm - 2.5, -2.5), size)
        right -= one.width_mm + 6.5


def _above(ink: Ink, across: _Across, asked: Sequence[float], made: Sequence[float]) -> None:
    highest = max(*asked, *made, 1.0)

    def y(value: float) -> float:
        return -_TOP - _PLOT * (1 - value / (highest * 1.04))

    levels = ticks(0, highest, 8)
    decimals = 0 if all(value == int(value) for value in levels) else 1
    for value in levels:
        _level(ink, across, y(value), Pen.HAIR, fixed(value, decimals))
    points = [(across(n), y(value)) for n, value in enumerate(asked, 1)]
    ink.course(*points)
    for point in points:
        ink.ring(point, 2.6)
    for n, value in enumerate(made, 1):
        ink.dot((across(n), y(value)), 1.4)
    ink.line((_LEFT, -_TOP), (_LEFT, -_TOP - _PLOT))


def _below(ink: Ink, across: _Across, differences: Sequence[float]) -> None:
    most = max(LEAST_STRIP, *(abs(d) for d in differences))

    def y(value: float) -> float:
        return _STRIP_TOP - _STRIP / 2 * (1 - value / most)

    ink.line((_LEFT, _STRIP_TOP), (_LEFT, _STRIP_TOP - _STRIP))
    for value in (most, 0.0, -most):
        _level(ink, across, y(value), Pen.HAIR if value else Pen.THIN, signed(value, 2))
    for n, value in enumerate(differences, 1):
        ink.line((across(n), y(0)), (across(n), y(value)), Pen.VISIBLE)
        ink.dot((across(n), y(value)), 1.4)


def _level(ink: Ink, across: _Across, y: float, pen: Pen, words: str) -> None:
    """Draw a level of a scale with its value."""
    ink.line((_LEFT, y), (across.right, y), pen)
    ink.append(label(words, (_LEFT - 1.5, y), 7.5, Align.RIGHT))
