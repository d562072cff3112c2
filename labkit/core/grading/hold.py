"""How far the jaw can move between rods that a release lets through, and when that is too far."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

import numpy as np

from labkit.core.findings import Finding, refused
from labkit.core.grading.prescription import Grading
from labkit.core.grading.steps import Hold, Step
from labkit.core.jaw.model import Designed, JawModel
from labkit.core.jaw.rotation import Floats
from labkit.core.numbers import NOISE_MM, Finite
from labkit.units import millimetres, plain


@dataclass(frozen=True, eq=False)
class Slack:
    """What a release lets through of pairs of rods.

    Args:
        made_mm: Lengths of the made pairs, shape (N, 2).
        tolerance_mm: Of both rods, shape (N, 2).
        side_tolerance_mm: Of left minus right, shape (N,).
    """

    made_mm: Floats
    tolerance_mm: Floats
    side_tolerance_mm: Floats

    def corners(self) -> Floats:
        """Give the corners of what is let through, lengths of shape (N, 8, 2).

        Formula: |e_left| ≤ t_left, |e_right| ≤ t_right, |e_left − e_right| ≤ s: a hexagon; at each
        end of one rod's tolerance, the least and the greatest error of the other.
        """
        sides = self.side_tolerance_mm[:, None]
        points = []
        for first in (0, 1):
            own, other = self.tolerance_mm[:, [first]], self.tolerance_mm[:, [1 - first]]
            at = own * np.array([-1.0, 1.0])
            # Where the other rod's tolerance ends first, the corner lies where the strip leaves.
            at = np.clip(at, -other - sides, other + sides)
            for end in (np.maximum(-other, at - sides), np.minimum(other, at + sides)):
                pair = (at, end) if first == 0 else (end, at)
                points.append(np.stack(pair, axis=-1))
        corners: Floats = self.made_mm[:, None, :] + np.concatenate(points, axis=1)
        return corners


def holds(model: JawModel, near: Designed, slack: Slack) -> tuple[Hold, ...]:
    """Work out the worst movement of the jaw over all pairs that a release lets through.

    Formula: the greatest |displacement − made| and |deviation − made| over the corners of
    |e_left| ≤ t, |e_right| ≤ t, |e_left − e_right| ≤ s; the region is small, so that the position
    is as good as linear in the lengths and greatest at a corner.

    Args:
        near: Poses to start from: those that were asked for.

    Returns:
        One for each pair; where a corner has no pose, the reason.

    Validity: within 5 % for curvature while the rods tell the position.
    """
    count = len(slack.made_mm)
    if not count:
        return ()
    corners = slack.corners()
    width = corners.shape[1]
    pairs = np.concatenate([slack.made_mm[:, None, :], corners], axis=1).reshape(-1, 2)
    owners = np.repeat(np.arange(count), width + 1)
    start = Designed(
        near.lengths_mm[owners], near.mm_per_mm[owners],
        poses=None if near.poses is None else near.poses[owners],
    )
    read = model.read_back(pairs, start)
    forward = _worst(read.displacement_mm.reshape(count, width + 1))
    sideways = None
    if not model.sides_alone and read.deviation_mm is not None:
        sideways = _worst(read.deviation_mm.reshape(count, width + 1))
    reasons = {int(owners[member]): reason for member, reason in read.problems.items()}
    return tuple(
        Hold(
            None if member in reasons else float(forward[member]),
            None if member in reasons or sideways is None else float(sideways[member]),
            reasons.get(member, ""),
        )
        for member in range(count)
    )


def _worst(positions: Floats) -> Floats:
    worst: Floats = np.abs(positions[:, 1:] - positions[:, :1]).max(axis=1)
    return worst


@dataclass(frozen=True)
class HeldPair(Finite):
    """A made pair of rods: where it holds the jaw, and how far its tolerances let the jaw move.

    Args:
        name: In sentences, such as "62.5 %".
        made_mm: Advancement that it makes.
        left, right: Made lengths.
    """

    name: str
    made_mm: float
    left: Decimal
    right: Decimal
    hold: Hold


@dataclass(frozen=True)
class Slip:
    """Why a pair does not hold the jaw, a sentence without what to do; `code` is its kind.

    Args:
        pattern: The sentence with places in braces, which `values` fills by name.
    """

    code: str
    pattern: str
    pairs: tuple[HeldPair, ...]
    values: Mapping[str, str]

    @property
    def what(self) -> str:
        """The sentence."""
        return self.pattern.format(**self.values)


_APART = (
    "move the seats further apart along the path, choose other rods, or state a narrower tolerance"
)
#: Kind of slip → what to do before such rods are made.
_REMEDIES = {
    "pair_without_pose": f"; {_APART}",
    "jaw_not_held_sideways":
        f", so {_APART}, or let the prescription allow more (grading.most_sideways)",
    "made_far_from_asked": f"; {_APART}, or give a finer length grid",
    "steps_do_not_advance": "; set the steps further apart, or give a finer length grid",
    "jaw_not_held_forward": f"; {_APART}, or set the steps further apart",
}


def check_holds(steps: Sequence[Step], grading: Grading) -> tuple[Finding, ...]:
    """Refuse rods that do not hold the jaw: within tolerance they let it move too far.

    Returns:
        Refusals; empty where every pair that a release lets through holds the jaw.
    """
    pairs = [
        HeldPair(step.name, step.made.advancement_mm, step.left.length, step.right.length,
                 step.hold or _NOT_TOLD)
        for step in steps
    ]
    slips = [*not_held(pairs, float(grading.most_sideways_mm)), *_far_off(steps, pairs, grading)]
    return tuple(
        refused(slip.code, slip.what + _REMEDIES[slip.code],
                ", ".join(pair.name for pair in slip.pairs))
        for slip in slips
    )


#: Of a step of which nothing was worked out.
_NOT_TOLD = Hold(None, None)


def not_held(pairs: Sequence[HeldPair], most_sideways_mm: float) -> Iterator[Slip]:
    """Give what keeps the pairs of one set from holding the jaw: each alone, then neighbours.

    Args:
        pairs: In the order in which they are to advance.
    """
    for pair in pairs:
        yield from _alone(pair, most_sideways_mm)
    # Steps with one label on a side have a refusal of their own.
    unlike = [
        (before, after) for before, after in pairwise(pairs)
        if before.left != after.left and before.right != after.right
    ]
    for before, after in unlike:
        yield from _in_order(before, after)
    for pair in pairs:
        yield from _told_apart(pair, _gap(pair, unlike))


def _alone(pair: HeldPair, most_sideways_mm: float) -> Iterator[Slip]:
    hold = pair.hold
    if hold.problem:
        yield Slip(
            "pair_without_pose",
            "rods at {pair} that are within tolerance do not hold the jaw anywhere: {problem}",
            (pair,), {"pair": pair.name, "problem": hold.problem},
        )
    if hold.sideways_mm is not None and hold.sideways_mm > most_sideways_mm:
        yield Slip(
            "jaw_not_held_sideways",
            "rods at {pair} that are within tolerance let the jaw move ±{sideways} mm sideways; at "
            "most ±{most} mm is allowed",
            (pair,), {"pair": pair.name, "sideways": millimetres(hold.sideways_mm),
                      "most": plain(most_sideways_mm)},
        )


def _far_off(
    steps: Sequence[Step], pairs: Sequence[HeldPair], grading: Grading
) -> Iterator[Slip]:
    for step, pair in zip(steps, pairs, strict=True):
        slopes = step.left.mm_per_mm, step.right.mm_per_mm
        yield from far_from_asked(pair, step.advancement_mm, slopes, float(grading.grid_mm))


def far_from_asked(
    pair: HeldPair, asked_mm: float, slopes: tuple[float, float], grid_mm: float
) -> Iterator[Slip]:
    """Give the slip of a pair that holds the jaw further from what was asked than rounding does.

    Formula: |made − asked| ≤ grid / mean |dL/dd|.

    Args:
        slopes: dL/dd, left and right, where it was asked for.
    """
    rate = (abs(slopes[0]) + abs(slopes[1])) / 2
    if rate == 0.0:
        return  # such a rod is refused because it stands upright
    explained, off = grid_mm / rate, pair.made_mm - asked_mm
    if abs(off) > explained + NOISE_MM:
        yield Slip(
            "made_far_from_asked",
            "the rods of {pair} would hold the jaw {off} mm from the {asked} mm that were asked "
            "for, more than one step of the length grid explains ({explained} mm)",
            (pair,), {"pair": pair.name, "off": millimetres(off), "asked": millimetres(asked_mm),
                      "explained": millimetres(explained)},
        )


def _in_order(before: HeldPair, after: HeldPair) -> Iterator[Slip]:
    if after.made_mm <= before.made_mm + NOISE_MM:
        yield Slip(
            "steps_do_not_advance",
            "the rods of {pair} would hold the jaw at {made} mm, not in front of those of {before} "
            "({made_before} mm)",
            (before, after),
            {"pair": after.name, "made": millimetres(after.made_mm), "before": before.name,
             "made_before": millimetres(before.made_mm)},
        )


def _gap(pair: HeldPair, neighbours: Sequence[tuple[HeldPair, HeldPair]]) -> float:
    """Give a pair's distance to its nearest neighbour in made advancement, mm."""
    return min(
        (abs(after.made_mm - before.made_mm) for before, after in neighbours
         if pair in (before, after)),
        default=math.inf,
    )


def _told_apart(pair: HeldPair, gap_mm: float) -> Iterator[Slip]:
    forward = pair.hold.forward_mm
    if forward is not None and forward >= gap_mm / 2 - NOISE_MM:
        yield Slip(
            "jaw_not_held_forward",
            "rods at {pair} that are within tolerance let the jaw move ±{forward} mm forward, but "
            "the next step is only {gap} mm away and it must stay below half of that",
            (pair,), {"pair": pair.name, "forward": millimetres(forward),
                      "gap": millimetres(gap_mm)},
        )
