"""Rounding: which pair of rods on the length grid comes nearest to a step, never past the range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import product

import numpy as np

from labkit.core.grading.bite import BiteScale
from labkit.core.grading.series import AskedStep
from labkit.core.jaw.model import Designed, JawModel, Problems
from labkit.core.jaw.rotation import Floats
from labkit.units import to_grid

Pair = tuple[Decimal, Decimal]

#: Two errors that differ by less are a tie; a made step that passes a limit by less is at it.
TIE_MM = 1e-9
#: Pairs are sought this many grid steps to either side of the nearest lengths.
REACH = (-1, 0, 1)
_UNKNOWN: Pair = (Decimal("NaN"), Decimal("NaN"))


@dataclass(frozen=True, eq=False)
class Wanted:
    """Steps whose lengths are to be rounded.

    Args:
        displacement_mm: Asked for, from the registered bite, shape (N,).
        least_mm, most_mm: Displacements at 0 % and at 100 %: no made step lies outside them.
        sideways_per_mm: Sideways movement asked for, for each mm forward, + to the left.
        lengths: Lengths that were asked for themselves, left and right, None elsewhere.
    """

    displacement_mm: Floats
    least_mm: float
    most_mm: float
    sideways_per_mm: float
    grid_mm: Decimal
    lengths: tuple[tuple[Decimal | None, Decimal | None], ...]

    @classmethod
    def of(cls, asked: Sequence[AskedStep], scale: BiteScale, grid_mm: Decimal) -> Wanted:
        """Collect the steps asked for on a bite scale."""
        return cls(
            np.array([float(scale.displacement(step.advancement_mm)) for step in asked]),
            least_mm=float(scale.displacement(Decimal(0))),
            most_mm=float(scale.displacement(scale.range_mm)),
            sideways_per_mm=scale.sideways_per_mm,
            grid_mm=grid_mm,
            lengths=tuple(step.lengths for step in asked),
        )


def rounded_pairs(
    model: JawModel, designed: Designed, wanted: Wanted
) -> tuple[tuple[Pair, ...], Problems]:
    """Choose for each step the pair on the grid that holds the jaw nearest to what was asked.

    Formula: among the pairs that hold the jaw between 0 % and 100 %, and where there are such
    among those with a forward error of at most half a grid step's advancement, the one with the
    least √(forward² + sideways²); a tie (1e-9 mm) goes to the lesser advancement. Where the pair
    fixes the pose (hinged), the pairs are the 3 × 3 around the nearest lengths, or with equal exact
    sides the 3 equal ones; where each side is read by itself, the left–right difference is
    rounded by itself (straight: the same at every step), and the mean of the sides counts.

    Returns:
        The pairs, NaN where a step has none, and the reason for each of those that the model
        could design.

    Source: DEVELOPERS.md, The design.
    """
    pairs: list[list[Pair]] = [
        [] if member in designed.problems
        else [
            pair for pair in _around(model.sides_alone, exact, wanted.grid_mm)
            if all(want in (None, length) for want, length in zip(fixed, pair, strict=True))
        ]
        for member, (exact, fixed) in enumerate(
            zip(designed.lengths_mm, wanted.lengths, strict=True)
        )
    ]
    owners = np.array([m for m, own in enumerate(pairs) for _ in own], dtype=int)
    every = [pair for own in pairs for pair in own]
    if not every:
        return (_UNKNOWN,) * len(pairs), {}
    tried = _tried(model, designed, wanted, (owners, np.array(every, dtype=float)))
    chosen, problems = [], {}
    half = _half_a_step(designed, wanted.grid_mm)
    for member in range(len(pairs)):
        mine = np.flatnonzero(owners == member)
        close = np.abs(tried.forward_mm) <= half[member] + TIE_MM
        best = _best(mine, tried.error_mm, close, tried.made_mm)
        chosen.append(_UNKNOWN if best is None else every[best])
        if best is None and member not in designed.problems:
            problems[member] = (
                f"no pair of rods on the length grid of {wanted.grid_mm} mm holds the jaw between "
                "0 % and 100 % near it; give a finer length grid"
            )
    return tuple(chosen), problems


@dataclass(frozen=True, eq=False)
class _Tried:
    """What pairs make beside what was asked, shape (N,).

    Args:
        error_mm: Distance from the asked incisal point; infinite outside of 0 % to 100 %.
    """

    made_mm: Floats
    forward_mm: Floats
    error_mm: Floats


def _tried(
    model: JawModel, designed: Designed, wanted: Wanted, pairs: tuple[np.ndarray, Floats]
) -> _Tried:
    """Read back the pairs of every step.

    Args:
        pairs: The step that each pair is tried for, and its lengths.
    """
    owners, lengths = pairs
    near = Designed(
        designed.lengths_mm[owners], designed.mm_per_mm[owners],
        poses=None if designed.poses is None else designed.poses[owners],
    )
    read = model.read_back(lengths, near)
    forward = read.displacement_mm - wanted.displacement_mm[owners]
    sideways = np.zeros_like(forward)
    if read.deviation_mm is not None:
        aimed = wanted.sideways_per_mm * wanted.displacement_mm[owners]
        sideways = read.deviation_mm - aimed
    inside = (
        np.isfinite(read.displacement_mm)
        & (read.displacement_mm >= wanted.least_mm - TIE_MM)
        & (read.displacement_mm <= wanted.most_mm + TIE_MM)
    )
    inside[list(read.problems)] = False
    error = np.where(inside, np.hypot(forward, sideways), np.inf)
    return _Tried(read.displacement_mm, forward, error)


def _around(sides_alone: bool, exact: Floats, grid_mm: Decimal) -> list[Pair]:
    """List the pairs that come into question for one step."""
    left, right = float(exact[0]), float(exact[1])
    nearest = to_grid(left, grid_mm), to_grid(right, grid_mm)
    if sides_alone or abs(left - right) <= TIE_MM:
        apart = to_grid(left - right, grid_mm)
        lengths = (nearest[0] + by * grid_mm for by in REACH)
        return [(length, length - apart) for length in lengths]
    return [
        (nearest[0] + first * grid_mm, nearest[1] + second * grid_mm)
        for first, second in product(REACH, repeat=2)
    ]


def _half_a_step(designed: Designed, grid_mm: Decimal) -> Floats:
    """Give half of the advancement that one grid step makes, mm; infinite for an upright rod."""
    rate = np.abs(designed.mm_per_mm).mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        half: Floats = float(grid_mm) / 2 / rate
    return half


def _best(mine: np.ndarray, error: Floats, near: np.ndarray, made_mm: Floats) -> int | None:
    """Pick the best of a step's pairs; None where none holds the jaw inside the range."""
    usable = mine[np.isfinite(error[mine])]
    if not usable.size:
        return None
    close = usable[near[usable]]
    among = close if close.size else usable
    tied = among[error[among] <= error[among].min() + TIE_MM]
    return int(min(tied, key=lambda pair: (round(float(made_mm[pair]), 9), int(pair))))
