"""From what a prescription lists to the steps asked for, in exact decimals."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale
from labkit.core.grading.prescription import MOST_STEPS, Grading, GradingUnit
from labkit.core.grading.steps import percent_name
from labkit.units import counted, millimetres, plain

#: Two decimals that differ by less than this part of themselves are meant to be the same.
RELATIVE_NOISE = Decimal("1e-9")


@dataclass(frozen=True)
class AskedStep:
    """One step as asked for.

    Args:
        value: As listed, in the unit of the grading.
        percent, advancement_mm: The same on the bite scale.
        lengths: Left and right length where a rod was asked for by its length, else None.
    """

    value: Decimal
    percent: Decimal
    advancement_mm: Decimal
    start: bool
    lengths: tuple[Decimal | None, Decimal | None] = (None, None)

    @property
    def name(self) -> str:
        """The step's name in sentences."""
        return percent_name(self.percent)


#: Values of steps, and what was found on the way.
_Found = tuple[tuple[Decimal, ...], tuple[Finding, ...]]


def asked_steps(
    grading: Grading, scale: BiteScale
) -> tuple[tuple[AskedStep, ...], tuple[Finding, ...]]:
    """Work out the steps of a grading on a bite scale.

    Returns:
        The steps between 0 % and 100 %, by rising percent, and the refusals met on the way.
    """
    values, found = _values(grading)
    start = _start_of(grading, values)
    findings = [*found, *(_start_findings(grading, values) if start is None else ())]
    steps = []
    for value in values:
        step = _on_scale(value, grading, scale, start=value == start)
        outside = _outside(step, grading, scale)
        if outside is None:
            steps.append(step)
        else:
            findings.append(outside)
    return tuple(steps), tuple(findings)


def _on_scale(
    value: Decimal, grading: Grading, scale: BiteScale, *, start: bool
) -> AskedStep:
    if grading.unit is GradingUnit.PERCENT:
        return AskedStep(value, value, scale.advancement(value), start)
    return AskedStep(value, scale.percent(value), value, start)


def same_value(first: Decimal, second: Decimal) -> bool:
    """Tell whether two decimals are the same but for noise in their last digits.

    >>> same_value(Decimal("33.3333333333"), Decimal(100) / 3), same_value(Decimal(1), Decimal(2))
    (True, False)
    """
    return abs(first - second) <= RELATIVE_NOISE * max(abs(first), abs(second))


def _values(grading: Grading) -> _Found:
    if grading.listed:
        return _distinct(grading.listed, _unit(grading))
    if grading.first is None or grading.last is None:
        return (), (_no_steps(),)
    if grading.first > grading.last:
        return (), (_series_ends(grading, grading.first, grading.last),)
    if grading.steps is not None:
        return _counted(grading.first, grading.last, grading.steps)
    if grading.step is not None:
        return _stepped(grading, grading.first, grading.last, grading.step)
    return (), (_no_steps(),)


def _unit(grading: Grading) -> str:
    return "%" if grading.unit is GradingUnit.PERCENT else "mm"


def _no_steps() -> Finding:
    return refused(
        "no_steps",
        "the grading asks for no step; list the values, or give first and last with either a "
        "step or a number of steps",
        "grading",
    )


def _series_ends(grading: Grading, first: Decimal, last: Decimal) -> Finding:
    unit = _unit(grading)
    return refused(
        "series_ends",
        f"the series runs from {plain(first)} {unit} down to {plain(last)} {unit}; give the "
        "smaller value first",
        "grading.first",
    )


def out_of_order(listed: Sequence[Decimal]) -> tuple[Decimal, Decimal] | None:
    """Find where a list as typed neither rises throughout nor falls throughout.

    Returns:
        The first two neighbours that go the other way than the first two; None where all go one
        way. Equal ones are another mistake.

    >>> out_of_order([Decimal(50), Decimal(62), Decimal(5), Decimal(75)])
    (Decimal('62'), Decimal('5'))
    """
    apart = [pair for pair in pairwise(listed) if not same_value(*pair)]
    rises = bool(apart) and apart[0][0] < apart[0][1]
    return next((pair for pair in apart if (pair[0] < pair[1]) is not rises), None)


def _distinct(listed: Iterable[Decimal], unit: str) -> _Found:
    values: list[Decimal] = []
    repeated: list[Decimal] = []
    for value in sorted(listed):
        (repeated if values and same_value(values[-1], value) else values).append(value)
    findings = [
        refused(
            "step_repeated",
            f"the step {plain(value)} {unit} is listed more than once; list each step once",
            "grading",
        )
        for value in dict.fromkeys(repeated)
    ]
    return _at_most(tuple(values), tuple(findings))


def _at_most(values: tuple[Decimal, ...], findings: tuple[Finding, ...] = ()) -> _Found:
    if len(values) <= MOST_STEPS:
        return values, findings
    return (), (*findings, too_many(len(values)))


def too_many(count: int) -> Finding:
    """Refuse a series of more steps than a case box holds."""
    return refused(
        "too_many_steps",
        f"the grading asks for {count} steps; a set has at most {MOST_STEPS}, so widen the step",
        "grading",
    )


def _counted(first: Decimal, last: Decimal, steps: int) -> _Found:
    if steps > MOST_STEPS:
        return (), (too_many(steps),)
    if steps < 1 or (steps == 1) != (first == last):
        return (), (refused(
            "steps_count",
            f"{steps} steps cannot run evenly from {plain(first)} to {plain(last)}; give at least "
            "2 steps for two different ends, and exactly 1 where both ends are the same",
            "grading.steps",
        ),)
    if steps == 1:
        return (first,), ()
    span = last - first
    return tuple(first + span * index / (steps - 1) for index in range(steps)), ()


def _stepped(grading: Grading, first: Decimal, last: Decimal, step: Decimal) -> _Found:
    if step <= 0:
        return (), (refused(
            "step_not_positive",
            f"a step of {plain(step)} {_unit(grading)} leads nowhere; give a step above 0",
            "grading.step",
        ),)
    count = int(((last - first) / step).to_integral_value())
    if count + 1 > MOST_STEPS:
        return (), (too_many(count + 1),)
    reached = first + count * step
    if abs(reached - last) > RELATIVE_NOISE * max(abs(last), step):
        return (), (_misses_last(grading, last, step, reached),)
    return (*(first + index * step for index in range(count)), last), ()


def _misses_last(grading: Grading, last: Decimal, step: Decimal, reached: Decimal) -> Finding:
    unit = _unit(grading)
    return refused(
        "series_misses_last",
        f"steps of {plain(step)} {unit} from {plain(grading.first or Decimal(0))} {unit} do not "
        f"reach {plain(last)} {unit}; the nearest last value that works is {plain(reached)} "
        f"{unit}, or change the step",
        "grading.last",
    )


def _start_of(grading: Grading, values: tuple[Decimal, ...]) -> Decimal | None:
    """Find the starting step among the steps; None where none is told or none is meant."""
    if grading.start_step is not None:
        return values[grading.start_step - 1] if grading.start_step <= len(values) else None
    if grading.start is None:
        return None
    start = grading.start
    same = [value for value in values if same_value(value, start)]
    meant = same or [value for value in values if _printed(value, start)]
    return meant[0] if len(meant) == 1 else None


def _printed(value: Decimal, told: Decimal) -> bool:
    """Tell whether a number is a value as printed: rounded to decimals that it is told with."""
    decimals = -int(told.as_tuple().exponent)
    return decimals > 0 and abs(value - told) <= Decimal(5).scaleb(-decimals - 1)


def _start_findings(grading: Grading, values: tuple[Decimal, ...]) -> tuple[Finding, ...]:
    if not values:
        return ()
    if grading.start_step is not None:
        return (refused(
            "start_step_beyond",
            f"the starting step is to be step {grading.start_step}, but the set has "
            f"{counted(len(values), 'step')}; give a number from 1 to {len(values)}",
            "grading.start_step",
        ),)
    if grading.start is None:
        return ()
    start, unit = grading.start, _unit(grading)
    nearest = min(values, key=lambda value: abs(value - start))
    return (refused(
        "start_not_a_step",
        f"the start of {plain(start)} {unit} is not one of the steps; the nearest step is "
        f"{plain(nearest)} {unit}, so start there or add the step",
        "grading.start",
    ),)


def _outside(step: AskedStep, grading: Grading, scale: BiteScale) -> Finding | None:
    asked = f"{plain(step.value)} {_unit(grading)}"
    if grading.unit is GradingUnit.ADVANCEMENT:
        asked += f" of advancement ({step.name})"
    if step.advancement_mm < 0:
        return refused(
            "percent_below_0",
            f"the step {asked} lies behind the zero reading; give a step from 0 % to 100 %, or "
            "choose another zero",
            step.name,
        )
    if step.advancement_mm > scale.range_mm:
        return refused(
            "percent_above_100",
            f"the step {asked} is more than the jaw was recorded to move forward (100 % is "
            f"{millimetres(float(scale.range_mm))} mm); give at most 100 %, or record the range "
            "again",
            step.name,
        )
    return None
