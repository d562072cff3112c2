"""What can be asked for as an extra rod, and which steps of the bite scale that means."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale
from labkit.core.grading.prescription import MOST_STEPS, Grading, GradingUnit, Side
from labkit.core.grading.rounding import Pair, Wanted, rounded_pairs
from labkit.core.grading.series import AskedStep, asked_steps, too_many
from labkit.core.jaw.model import JawModel
from labkit.core.jaw.path import LEFT, RIGHT, displacements_at
from labkit.core.numbers import Finite, require_finite
from labkit.errors import InputError
from labkit.units import NOISE_DECIMALS, label_decimals, plain, to_grid


@dataclass(frozen=True)
class ByPercent(Finite):
    """One step, by its percentage.

    Args:
        percent: Percent of the range as recorded now.
    """

    percent: Decimal

    @property
    def words(self) -> str:
        """It as it is kept with the order."""
        return f"{plain(self.percent)} %"


@dataclass(frozen=True)
class ByAdvancement(Finite):
    """One step, by its advancement."""

    advancement_mm: Decimal

    @property
    def words(self) -> str:
        """It as it is kept with the order."""
        return f"{plain(self.advancement_mm)} mm forward"


@dataclass(frozen=True)
class ByLength(Finite):
    """One step, by the length of a rod.

    Args:
        length: Functional length on the length grid, mm.
        side: Side that bears this rod; the other side gets the rod of the same advancement.
            None where both sides bear it, which is allowed where they come out alike.
    """

    length: Decimal
    side: Side | None = None

    @property
    def words(self) -> str:
        """It as it is kept with the order."""
        return f"length {plain(self.length)}{f' {self.side}' if self.side else ''}"


@dataclass(frozen=True)
class Between:
    """Several steps between two percentages, evenly spaced in advancement; the ends are not made.

    Args:
        low, high: Percent, low below high.
        count: How many steps lie between them.

    Raises:
        InputError: The ends are not in rising order, or the count is not usable.
    """

    low: Decimal
    high: Decimal
    count: int

    def __post_init__(self) -> None:
        require_finite(self)
        if self.low >= self.high:
            raise InputError(
                f"rods between {plain(self.low)} % and {plain(self.high)} % cannot be spaced out; "
                "give the smaller percentage first",
                field="between", value=(self.low, self.high), allowed="two rising percentages",
            )
        if not 1 <= self.count <= MOST_STEPS:
            raise InputError(
                f"{self.count} rods between {plain(self.low)} % and {plain(self.high)} % cannot be "
                f"made; give a count from 1 to {MOST_STEPS}",
                field="count", value=self.count, allowed=f"1 to {MOST_STEPS}",
            )

    @property
    def words(self) -> str:
        """It as it is kept with the order."""
        return f"{self.count} between {plain(self.low)} % and {plain(self.high)} %"

    @property
    def percents(self) -> tuple[Decimal, ...]:
        """The percentages between the ends."""
        span = self.high - self.low
        return tuple(
            self.low + span * index / (self.count + 1) for index in range(1, self.count + 1)
        )


ExtraRequest = ByPercent | ByAdvancement | ByLength | Between


@dataclass(frozen=True)
class RequestedStep:
    """A step, and the words of the request that asks for it."""

    step: AskedStep
    words: str


def requested_steps(
    requests: tuple[ExtraRequest, ...], scale: BiteScale, model: JawModel, grid_mm: Decimal
) -> tuple[tuple[RequestedStep, ...], tuple[Finding, ...]]:
    """Work out the steps that requests mean.

    Returns:
        The steps from 0 % to 100 %, by rising percent, and refusals.
    """
    if not requests:
        return (), (refused("no_request", "no rod was asked for; name at least one", "extra"),)
    steps: list[RequestedStep] = []
    findings: list[Finding] = []
    for unit, listed in _listed(requests).items():
        if listed:
            values, words = zip(*listed, strict=True)
            on_scale, refusals = asked_steps(Grading(unit, values), scale)
            asked = dict(zip(values, words, strict=True))
            steps += [RequestedStep(step, asked[step.value]) for step in on_scale]
            findings += refusals
    for request in requests:
        if isinstance(request, ByLength):
            found = _of_length(request, (scale, model, grid_mm))
            if isinstance(found, Finding):
                findings.append(found)
            else:
                steps.append(RequestedStep(found, request.words))
    if len(steps) > MOST_STEPS:
        return (), (*findings, too_many(len(steps)))
    return tuple(sorted(steps, key=lambda one: one.step.percent)), tuple(findings)


def _listed(
    requests: tuple[ExtraRequest, ...]
) -> dict[GradingUnit, list[tuple[Decimal, str]]]:
    """Collect what a grading can list with its words, so that repeated steps are found."""
    listed: dict[GradingUnit, list[tuple[Decimal, str]]] = {unit: [] for unit in GradingUnit}
    for request in requests:
        if isinstance(request, ByPercent):
            listed[GradingUnit.PERCENT].append((request.percent, request.words))
        elif isinstance(request, Between):
            listed[GradingUnit.PERCENT] += [(each, request.words) for each in request.percents]
        elif isinstance(request, ByAdvancement):
            listed[GradingUnit.ADVANCEMENT].append((request.advancement_mm, request.words))
    return listed


#: What lengths are worked out on: bite scale, jaw model and length grid.
_Ground = tuple[BiteScale, JawModel, Decimal]


def _of_length(request: ByLength, ground: _Ground) -> AskedStep | Finding:
    """Find the step whose rod on the named side has a length."""
    scale, model, grid_mm = ground
    length, side = request.length, request.side or Side.LEFT
    if length != to_grid(float(length), grid_mm):
        return _off_grid(length, grid_mm)
    weights = LEFT if side is Side.LEFT else RIGHT
    (displacement,) = displacements_at(model, np.array([float(length)]), weights)
    where = f"{_label(length, grid_mm)} {request.side or 'both sides'}"
    if not np.isfinite(displacement):
        return refused(
            "length_not_on_path",
            f"no point of the recorded path gives a {side} rod of {_label(length, grid_mm)} mm; "
            "give a length between those of the series",
            where,
        )
    advancement = _inside(float(displacement), length, side, ground)
    if isinstance(advancement, Finding):
        return advancement
    lengths = (
        length if request.side is not Side.RIGHT else None,
        length if request.side is not Side.LEFT else None,
    )
    if request.side is None:
        left, right = _made_pair(advancement, (length, None), ground)
        if left != right:
            return _sides_differ(length, right, where)
    return AskedStep(
        length, scale.percent(advancement), advancement, start=False, lengths=lengths
    )


def _label(length: Decimal, grid_mm: Decimal) -> str:
    return f"{length:.{label_decimals(grid_mm)}f}"


def _off_grid(length: Decimal, grid_mm: Decimal) -> Finding:
    near = (length // grid_mm) * grid_mm
    return refused(
        "length_off_grid",
        f"a rod of {plain(length)} mm does not lie on the length grid of {plain(grid_mm)} mm; the "
        f"nearest lengths are {_label(near, grid_mm)} and {_label(near + grid_mm, grid_mm)}",
        plain(length),
    )


def _inside(
    displacement: float, length: Decimal, side: Side, ground: _Ground
) -> Decimal | Finding:
    """Give the advancement, or refuse it; the rounded rods of 0 % and 100 % are these steps."""
    scale, _, grid_mm = ground
    exact = scale.registered_advancement_mm + Decimal(repr(displacement))
    advancement = exact.quantize(Decimal(1).scaleb(-NOISE_DECIMALS))
    end = min(max(advancement, Decimal(0)), scale.range_mm)
    at_end = _made_pair(end, (None, None), ground)[list(Side).index(side)]
    if end == advancement or at_end == length:
        return end
    code, ends = ("percent_above_100", "100 %") if end > 0 else ("percent_below_0", "0 %")
    return refused(
        code,
        f"a {side} rod of {_label(length, grid_mm)} mm would hold the jaw at "
        f"{float(scale.percent(advancement)):.1f} %, outside the recorded range; the {side} rod "
        f"of {ends} is {at_end} mm long, so give a length up to that one",
        f"{_label(length, grid_mm)} {side}",
    )


def _made_pair(
    advancement: Decimal, lengths: tuple[Decimal | None, Decimal | None], ground: _Ground
) -> Pair:
    """Give the rods on the length grid, NaN where the jaw model has none."""
    scale, model, grid_mm = ground
    step = AskedStep(advancement, scale.percent(advancement), advancement, False, lengths)
    wanted = Wanted.of((step,), scale, grid_mm)
    (pair,), _ = rounded_pairs(model, model.design(wanted.displacement_mm), wanted)
    return pair


def _sides_differ(length: Decimal, other: Decimal | None, where: str) -> Finding:
    return refused(
        "sides_differ",
        f"with a left rod of {plain(length)} mm the right one is {other} mm long, because the "
        "sides of this case differ; name the side whose rod is asked for, and the other side "
        "gets the rod of the same advancement",
        where,
    )
