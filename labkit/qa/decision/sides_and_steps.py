"""Left against right, and a rod against its neighbour: what a set must hold beside each length."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from labkit.qa.decision.conformance import Decision, decide
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.uncertainty import effective_dof

SIDES = ("left", "right")


@dataclass(frozen=True)
class SideDifference:
    """Left minus right of one step, measured against labels.

    Args:
        difference_mm: (left − right) as measured less (left − right) as labelled.
        u_mm: Its standard uncertainty.
        tolerance_mm: Its tolerance, ±.
    """

    step: int
    left: MeasuredRod
    right: MeasuredRod
    difference_mm: float
    u_mm: float
    tolerance_mm: Decimal
    decision: Decision


@dataclass(frozen=True)
class StepSize:
    """How far two neighbours of one side lie apart.

    Args:
        side: "left" or "right".
        first, second: The neighbours, by number of the step.
        nominal_mm: Second less first, as labelled.
        measured_mm: Second less first, as measured.
        u_mm: Standard uncertainty of that.
    """

    side: str
    first: MeasuredRod
    second: MeasuredRod
    nominal_mm: Decimal
    measured_mm: float
    u_mm: float


def side_differences(
    rods: Sequence[MeasuredRod], tolerances: Mapping[int, Decimal]
) -> Iterator[SideDifference]:
    """Decide on every step of which both rods were measured.

    Args:
        tolerances: Step → tolerance of left minus right, ±, mm.

    Yields:
        The differences, by step.
    """
    by_place = {(rod.expected.step, rod.expected.side): rod for rod in rods}
    for step in sorted({step for step, _ in by_place}):
        left, right = (by_place.get((step, side)) for side in SIDES)
        if left is not None and right is not None:
            yield side_difference(left, right, tolerances[step])


def side_difference(
    left: MeasuredRod, right: MeasuredRod, tolerance_mm: Decimal
) -> SideDifference:
    """Decide on left minus right of one step.

    Formula: D = (y_left − N_left) − (y_right − N_right), u² = u_left² + u_right²; D is decided
    against ± tolerance as a length is. Where the labels are equal this is the plain difference.

    Args:
        left: The left rod.
        right: The right rod.
        tolerance_mm: Tolerance of the difference, ±.

    Validity: calibration, gauge pins and temperature act alike on both rods and would cancel if
    both were measured with one instrument; they are counted in full all the same, so that the
    uncertainty stated is an upper bound and nothing conforms by a correlation that nobody knows.
    """
    difference = left.deviation_mm - right.deviation_mm
    u, tolerance = math.hypot(left.u_mm, right.u_mm), float(tolerance_mm)
    dof = effective_dof([(rod.u_mm, rod.budget.effective_dof) for rod in (left, right)])
    return SideDifference(
        left.expected.step, left, right, difference, u, tolerance_mm,
        decide(difference, u, -tolerance, tolerance, dof=dof),
    )  # fmt: skip


def step_sizes(rods: Sequence[MeasuredRod]) -> Iterator[StepSize]:
    """Work out how far measured neighbours lie apart.

    Yields:
        The distances, the left side first.
    """
    for side in SIDES:
        for first, second in pairwise(rod for rod in rods if rod.expected.side == side):
            nominal = second.expected.length_mm - first.expected.length_mm
            measured = second.length_mm - first.length_mm
            u = math.hypot(first.u_mm, second.u_mm)
            yield StepSize(side, first, second, nominal, measured, u)
