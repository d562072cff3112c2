"""What pairs of rods make on the range that holds now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from labkit.core.case.cover import TolerancedRod
from labkit.core.case.rods_out import PairOut, pairs_out
from labkit.core.grading.bite import BiteScale, bite_scale
from labkit.core.grading.grade import check_recorded
from labkit.core.grading.hold import Slack, holds
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.steps import Hold
from labkit.core.jaw.build import jaw_model
from labkit.core.jaw.model import Designed, JawModel
from labkit.core.jaw.rotation import Floats
from labkit.core.numbers import NOISE_MM, Finite

#: Percent above which a pair stands above 100 %; below is noise of binary numbers.
HUNDRED_AND_NOISE = 100.0 + 1e-6


@dataclass(frozen=True)
class PairStanding(Finite):
    """What a pair of rods makes now.

    Args:
        left, right: Labels; empty where that side's rod is not out.
        advancement_mm, percent: As the two rods make it; None where the jaw model of the record
            cannot read them back.
        beyond_mm: How far beyond the maximum, negative before it.
        tolerance_mm: What the rods' own tolerances make in advancement, ±: the worst over all pairs
            that a release lets through; of a rod alone, along the path.
        hold: How far these pairs let the jaw move; None of a rod alone, or where unread.
        place: The setting for people; see `RodOut`.
    """

    pair: str
    left: str
    right: str
    advancement_mm: float | None
    percent: float | None
    beyond_mm: float
    tolerance_mm: float
    hold: Hold | None = None
    place: str = field(default="", compare=False)

    @property
    def holds(self) -> bool:
        """Whether every pair that a release lets through holds the jaw somewhere."""
        return self.hold is None or self.hold.forward_mm is not None

    @property
    def not_to_be_worn(self) -> bool:
        """Whether it makes more than the maximum by more than its own tolerance does.

        Of a pair that cannot be read back nobody knows that it does not.
        """
        return self.percent is None or self.beyond_mm > self.tolerance_mm + NOISE_MM


@dataclass(frozen=True)
class RangeNow(Finite):
    """The protrusive range that holds now, and the entry of the record that says so."""

    range_mm: float
    entry: int
    date: str
    by: str


@dataclass(frozen=True)
class NotKnown:
    """Nobody could be asked what holds now.

    Args:
        why: What was not there to be asked: "record_not_asked", "set_not_in_record" or
            "prescription_not_read", as papers have words for it.
    """

    why: str


def same_percents(one: Prescription, other: Prescription) -> bool:
    """Tell whether every rod makes the same on two prescriptions."""
    return _geometry(one) == _geometry(other)


def _geometry(prescription: Prescription) -> tuple[object, ...]:
    bite = replace(prescription.bite, vertical_opening_mm=None)  # recorded, not computed with
    return (
        bite, prescription.jaw, prescription.action, prescription.left, prescription.right
    )


def pairs_standing(
    rods: Iterable[TolerancedRod], prescription: Prescription
) -> dict[str, PairStanding]:
    """Work out what pairs of rods make on the range of a prescription.

    Formula: beyond = advancement − range; tolerance of a pair = worst movement over what a release
    lets through (`holds`), of a rod alone = its tolerance / |dL/dd|.

    Args:
        rods: Rods with the tolerance that each was made with.
        prescription: The one that holds now.

    Returns:
        Pair → standing, of every pair; one that cannot be read back has no percent.

    Raises:
        InputError: Two rods of one pair and side.

    Source: DEVELOPERS.md, "The design" (reading back).
    """
    known = tuple(rods)
    places = {one.rod.pair: one.rod.place for one in known}
    standing = _standings(known, prescription)
    return {pair: replace(one, place=places[pair]) for pair, one in standing.items()}


def pairs_not_to_be_worn(
    rods: Iterable[TolerancedRod], prescription: Prescription
) -> frozenset[str]:
    """Tell which pairs of rods are not to be worn.

    What the tolerances make is worked out only where a pair makes more than the maximum, or cannot
    be read back: no pair before the maximum is struck.

    Args:
        rods: Rods with the tolerance that each was made with.
        prescription: The one that holds now.

    Raises:
        InputError: Two rods of one pair and side.
    """
    known = tuple(rods)
    if not check_recorded(prescription):
        scale = bite_scale(prescription.bite)
        model = jaw_model(prescription, scale.sideways_per_mm)
        found, unread = pairs_out((one.rod for one in known), model, scale)
        range_mm = float(scale.range_mm)
        if not unread and all(pair.made.advancement_mm - range_mm <= NOISE_MM for pair in found):
            return frozenset()
    standing = pairs_standing(known, prescription)
    return frozenset(pair for pair, one in standing.items() if one.not_to_be_worn)


def _standings(
    known: Sequence[TolerancedRod], prescription: Prescription
) -> dict[str, PairStanding]:
    by_side = {(one.rod.pair, one.rod.side): one for one in known}
    every = [one.rod for one in known]
    standing = {rod.pair: _unread(rod.pair, by_side) for rod in every}
    if check_recorded(prescription):
        return standing
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    found, _ = pairs_out(every, model, scale)
    if not found:
        return standing
    slack = _slack(found, by_side, prescription)
    registered = float(scale.registered_advancement_mm)
    near = model.design(np.array([pair.made.advancement_mm - registered for pair in found]))
    held = iter(_held(found, model, near, slack))
    for pair, slopes in zip(found, near.mm_per_mm, strict=True):
        hold = next(held) if pair.left and pair.right else None
        standing[pair.pair] = _standing(pair, hold, _alone_mm(pair, by_side, slopes), scale)
    return standing


def _slack(
    pairs: Iterable[PairOut], rods: Mapping[tuple[str, Side], TolerancedRod],
    prescription: Prescription,
) -> Slack:
    """Give what a release lets through of the pairs that are whole."""
    whole = [[rods[pair.pair, side] for side in Side] for pair in pairs if pair.left and pair.right]
    tolerances = np.array([[float(rod.tolerance_mm) for rod in both] for both in whole])
    stated = prescription.grading.side_tolerance_mm
    sides = tolerances.min(axis=1) if whole else np.empty(0)
    return Slack(
        made_mm=np.array([[rod.rod.worn_mm for rod in both] for both in whole]),
        tolerance_mm=tolerances,
        side_tolerance_mm=sides if stated is None else np.full(len(whole), float(stated)),
    )


def _held(
    pairs: Iterable[PairOut], model: JawModel, near: Designed, slack: Slack
) -> tuple[Hold, ...]:
    """Work out how far the whole pairs let the jaw move within their tolerances."""
    whole = np.array([bool(pair.left and pair.right) for pair in pairs])
    if not whole.any():
        return ()
    poses = None if near.poses is None else near.poses[whole]
    start = Designed(near.lengths_mm[whole], near.mm_per_mm[whole], poses=poses)
    return holds(model, start, slack)


def _unread(
    pair: str, rods: Mapping[tuple[str, Side], TolerancedRod]
) -> PairStanding:
    left, right = (
        rods[pair, side].rod.label if (pair, side) in rods else "" for side in Side
    )
    return PairStanding(pair, left, right, None, None, 0.0, 0.0)


def _alone_mm(
    pair: PairOut, rods: Mapping[tuple[str, Side], TolerancedRod], slopes: Floats
) -> float:
    """Give what the tolerance of a pair's rods makes along the path, ±.

    Args:
        slopes: dL/dd, left and right, where the pair holds the jaw.
    """
    moves = [
        float(rods[pair.pair, side].tolerance_mm) / abs(float(slope))
        for side, slope in zip(Side, slopes, strict=True)
        if (pair.pair, side) in rods and slope and np.isfinite(slope)
    ]
    return sum(moves) / len(moves) if moves else 0.0


def _standing(
    pair: PairOut, hold: Hold | None, alone_mm: float, scale: BiteScale
) -> PairStanding:
    advancement = pair.made.advancement_mm
    worst_mm = alone_mm if hold is None else hold.forward_mm
    return PairStanding(
        pair.pair, pair.left, pair.right, advancement, pair.made.percent,
        beyond_mm=advancement - float(scale.range_mm),
        tolerance_mm=alone_mm if worst_mm is None else worst_mm,
        hold=hold,
    )
