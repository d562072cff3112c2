"""The bite readings along the gauge's scale, to scale, with what the steps make of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.clinic import typed_number
from labkit.core.grading.bite import READINGS, zero_reading
from labkit.core.grading.prescription import MOST_READING_MM
from labkit.core.grading.steps import Step
from labkit.units import gauge_reading
from labkit.web.prescription_form import fields
from labkit.web.scale import Mark, Shown, marks_of
from labkit.workflow.intake.prescriptions import bounds_of, text_keys
from labkit.workflow.sets.cases import Case

#: The picture's width, and the room at its ends, in its own units; pages scale it as a whole.
WIDTH, _ENDS = 760.0, 40.0
#: From here to there where no reading asks for more, mm, and what is added where one does.
_LEAST_MM, _BY_MM = 10, 5


@dataclass(frozen=True)
class Handle:
    """A reading that can be drawn along the scale.

    Args:
        field: Id of the field in which its number stands.
        x: Its place; where nothing was recorded, that of 0.
        words: The reading as a gauge shows it, "" where nothing was recorded.
        low, high: Bounds of the reading, mm.
    """

    name: str
    field: str
    x: float
    value: float | None
    words: str
    low: float
    high: float


@dataclass(frozen=True)
class BiteScale:
    """The whole picture.

    Args:
        low: Reading at its left end, mm.
        origin: Place of the reading 0.
        ruler: Places of whole millimetres with their number.
        zero, protruded: Places of 0 and 100 %; None where the readings give no range.
        percents: Places of every tenth of the range, with percent.
    """

    low: int
    high: int
    per_mm: float
    origin: float
    ruler: tuple[tuple[float, int], ...]
    zero: float | None
    protruded: float | None
    percents: tuple[tuple[float, int], ...]
    marks: tuple[Mark, ...]
    handles: tuple[Handle, ...]

    @property
    def top(self) -> float:
        """Upper edge of the picture: above the words of the highest row."""
        if not self.percents:
            return 136.0
        return 36.0 - 30.0 * max((mark.row for mark in self.marks), default=0)


def bite_scale_of(texts: Mapping[str, str], case: Case | None) -> BiteScale:
    """Lay the readings of a form out, and the steps where they could be worked out."""
    values = {name: _reading(texts.get(name, "")) for name in READINGS}
    known = [0.0, *(value for value in values.values() if value is not None)]
    low = min(-_LEAST_MM, *(_BY_MM * math.floor(value / _BY_MM) for value in known))
    high = max(_LEAST_MM, *(_BY_MM * math.ceil(value / _BY_MM) for value in known))
    per_mm = (WIDTH - 2 * _ENDS) / (high - low)

    def across(mm: float) -> float:
        return round(_ENDS + (mm - low) * per_mm, 2)

    found = _range_of(case)
    zero, range_mm = found or (0.0, 0.0)
    steps = case.spacer_set.steps if case and found else ()
    return BiteScale(
        low, high, per_mm, across(0.0),
        tuple((across(float(mm)), mm) for mm in range(low, high + 1)),
        across(zero) if found else None, across(zero + range_mm) if found else None,
        tuple((across(zero + range_mm * ten / 10), ten * 10) for ten in range(11)) if found else (),
        tuple(marks_of([
            (across(zero + step.made.advancement_mm), _shown(step)) for step in steps
        ])),
        tuple(_handle(name, value, across(value or 0.0)) for name, value in values.items()),
    )


def _range_of(case: Case | None) -> tuple[float, float] | None:
    """Give the reading of 0 % and the protrusive range, where the readings give one."""
    if case is None or case.spacer_set.range_mm is None or case.spacer_set.range_mm <= 0:
        return None
    zero = zero_reading(case.prescription.bite)
    return None if zero is None else (float(zero), case.spacer_set.range_mm)


def _shown(step: Step) -> Shown:
    left, right = step.left.label, step.right.label
    words = left if left == right else f"{left}/{right}"
    return Shown(
        step.made.advancement_mm, step.made.percent, words, "start" if step.start else ""
    )


def _handle(name: str, value: float | None, x: float) -> Handle:
    low, high = bounds_of(text_keys()[name][1].key)
    words = "" if value is None else gauge_reading(value).replace("-", "−")
    return Handle(name, fields()[name].id, x, value, words, low, high)


def _reading(text: str) -> float | None:
    """Read a number that may be wrong: then it stands nowhere, and what is wrong is told."""
    value = typed_number(text)
    return float(value) if isinstance(value, Decimal) and abs(value) <= MOST_READING_MM else None
