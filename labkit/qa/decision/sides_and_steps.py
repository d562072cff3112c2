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
    """Left minus right of one step, measured against labels, ± tolerance, and what that proves."""

    left: MeasuredRod
    right: MeasuredRod
    tolerance_mm: Decimal
    decision: Decision

    @property
    def step(self) -> int:
        """Number of the step."""
        return self.left.expected.step

    @property
    def difference_mm(self) -> float:
        """(left − right) as measured less (left − right) as labelled."""
        return self.decision.y_mm

    @property
    def u_mm(self) -> float:
        """Its standard uncertainty."""
        return self.decision.u_mm


@dataclass(frozen=True)
class StepSize:
    """How far two neighbours of one side lie apart: second less first, by number of the step."""

    first: MeasuredRod
    second: MeasuredRod

    @property
    def side(self) -> str:
        """Side of both."""
        return self.first.expected.side

    @property
    def nominal_mm(self) -> Decimal:
        """Distance as labelled."""
        return self.second.expected.length_mm - self.first.expected.length_mm

    @property
    def measured_mm(self) -> float:
        """Distance as measured."""
        return self.second.length_mm - self.first.length_mm

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of that."""
        return math.hypot(self.first.u_mm, self.second.u_mm)


def side_differences(
    rods: Sequence[MeasuredRod], tolerances: Mapping[int, Decimal]
) -> Iterator[SideDifference]:
    """Decide on every step of which both rods were measured.

    Args:
        tolerances: Step → tolerance of left minus right, ±, mm.
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

    Validity: calibration, gauge pins and temperature act alike on both rods and would cancel if
    both were measured with one instrument; they are counted in full all the same, so that the
    uncertainty stated is an upper bound and nothing conforms by a correlation that nobody knows.
    """
    difference = left.deviation_mm - right.deviation_mm
    u, tolerance = math.hypot(left.u_mm, right.u_mm), float(tolerance_mm)
    dof = effective_dof([(rod.u_mm, rod.budget.effective_dof) for rod in (left, right)])
    decision = decide(difference, u, -tolerance, tolerance, dof=dof)
    return SideDifference(left, right, tolerance_mm, decision)


def step_sizes(rods: Sequence[MeasuredRod]) -> Iterator[StepSize]:
    """Work out how far measured neighbours lie apart."""
    for side in SIDES:
        for first, second in pairwise(rod for rod in rods if rod.expected.side == side):
            yield StepSize(first, second)
