"""Which steps of a prescription the rods that are out already serve."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.case.rods_out import RodOut
from labkit.core.grading.prescription import Side
from labkit.core.grading.rules import swap_room_mm
from labkit.core.grading.steps import RodLength, Step
from labkit.core.numbers import Finite


@dataclass(frozen=True)
class TolerancedRod(Finite):
    """A rod out with the length tolerance that it was made with.

    Args:
        tolerance_mm: ±.
    """

    rod: RodOut
    tolerance_mm: Decimal

    @property
    def length(self) -> Decimal:
        """Functional length, mm."""
        return self.rod.length


@dataclass(frozen=True)
class SideCover:
    """One side of a step, and the rod out that serves it.

    Args:
        wanted: Label of the rod that would be made for the step, on the length grid.
        label: Label of the rod out that serves, within the length tolerance; empty if missing.
        pair: Pair of that rod; empty if missing.
        too_near: Where the rod is missing: label of a rod out that could not be told from it,
            because both tolerances together reach across; empty if there is none.
    """

    wanted: str
    label: str = ""
    pair: str = ""
    too_near: str = ""


@dataclass(frozen=True)
class StepCover(Finite):
    """A step of the prescription, and what is out for it.

    Args:
        covered: Whether a rod out serves on each side.
        pair: The pair that serves both sides; empty where none does by itself.
    """

    percent: float
    advancement_mm: float
    start: bool
    left: SideCover
    right: SideCover
    covered: bool
    pair: str

    @property
    def missing(self) -> tuple[tuple[Side, str], ...]:
        """Sides without a rod, each with the label to be made."""
        sides = ((Side.LEFT, self.left), (Side.RIGHT, self.right))
        return tuple((side, cover.wanted) for side, cover in sides if not cover.label)


def cannot_be_told(wanted: RodLength, rods: Iterable[TolerancedRod]) -> TolerancedRod | None:
    """Give the nearest rod out that can measure as the wanted one; None if all can be told."""
    close = [rod for rod in rods if swap_room_mm(wanted, rod) <= 0]
    return min(close, key=lambda rod: abs(wanted.length - rod.length), default=None)


def cover_step(step: Step, rods: tuple[TolerancedRod, ...]) -> StepCover:
    """Find the rods out that serve a step: on each side the label within the length tolerance.

    Returns:
        The step with its rods; one pair for both sides wherever there is one.
    """
    near = {side: _within(step.rod(side), _on(rods, side)) for side in Side}
    common = near[Side.LEFT].keys() & near[Side.RIGHT].keys()
    pair = min(
        common, key=lambda name: (near[Side.LEFT][name][0] + near[Side.RIGHT][name][0], name),
        default="",
    )
    left, right = (_side(step.rod(side), near[side], pair, _on(rods, side)) for side in Side)
    return StepCover(
        percent=step.percent, advancement_mm=step.advancement_mm, start=step.start,
        left=left, right=right, covered=bool(left.label and right.label), pair=pair,
    )


def _on(rods: tuple[TolerancedRod, ...], side: Side) -> tuple[TolerancedRod, ...]:
    return tuple(toleranced for toleranced in rods if toleranced.rod.side is side)


def _within(
    wanted: RodLength, rods: tuple[TolerancedRod, ...]
) -> dict[str, tuple[Decimal, RodOut]]:
    """Rods within the step's tolerance, by pair, with their distance."""
    near = ((abs(rod.length - wanted.length), rod.rod) for rod in rods)
    return {rod.pair: (off, rod) for off, rod in near if off <= wanted.tolerance_mm}


def _side(
    wanted: RodLength, near: dict[str, tuple[Decimal, RodOut]], pair: str,
    rods: tuple[TolerancedRod, ...],
) -> SideCover:
    if near:
        _, rod = near[pair] if pair else min(
            near.values(), key=lambda found: (found[0], found[1].pair)
        )
        return SideCover(wanted.label, rod.label, rod.pair)
    confused = cannot_be_told(wanted, rods)
    return SideCover(wanted.label, too_near=confused.rod.label if confused else "")
