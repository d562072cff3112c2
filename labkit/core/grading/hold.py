"""How far the jaw can move between rods that a release lets through, and when that is too far."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from labkit.core.findings import Finding, refused
from labkit.core.grading.prescription import Grading
from labkit.core.grading.steps import Hold, Step
from labkit.core.jaw.model import Designed, JawModel
from labkit.core.jaw.rotation import Floats
from labkit.units import millimetres, plain

#: Binary noise of a made advancement, mm.
NOISE_MM = 1e-9


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


def check_holds(steps: Sequence[Step], grading: Grading) -> tuple[Finding, ...]:
    """Refuse rods that do not hold the jaw: within tolerance they let it move too far.

    Returns:
        Refusals; empty where every pair that a release lets through holds the jaw.
    """
    findings: list[Finding] = []
    for step in steps:
        findings += _posed(step)
        findings += _sideways(step, grading)
        findings += _far_from_asked(step, grading)
    # Steps with one label on a side have a refusal of their own.
    unlike = [
        (before, after) for before, after in pairwise(steps)
        if before.left.length != after.left.length and before.right.length != after.right.length
    ]
    for before, after in unlike:
        findings += _in_order(before, after)
    for step in steps:
        findings += _told_apart(step, _gap(step, unlike))
    return tuple(findings)


_REMEDY = (
    "move the seats further apart along the path, choose other rods, or state a narrower tolerance"
)


def _posed(step: Step) -> list[Finding]:
    if step.hold is None or not step.hold.problem:
        return []
    return [refused(
        "pair_without_pose",
        f"rods at {step.name} that are within tolerance do not hold the jaw anywhere: "
        f"{step.hold.problem}; {_REMEDY}",
        step.name,
    )]  # fmt: skip


def _sideways(step: Step, grading: Grading) -> list[Finding]:
    if step.hold is None or step.hold.sideways_mm is None:
        return []
    most = float(grading.most_sideways_mm)
    if step.hold.sideways_mm <= most:
        return []
    return [refused(
        "jaw_not_held_sideways",
        f"rods at {step.name} that are within tolerance let the jaw move "
        f"±{millimetres(step.hold.sideways_mm)} mm sideways; at most ±{plain(most)} mm is allowed, "
        f"so {_REMEDY}, or let the prescription allow more (grading.most_sideways)",
        step.name,
    )]  # fmt: skip


def _far_from_asked(step: Step, grading: Grading) -> list[Finding]:
    rate = (abs(step.left.mm_per_mm) + abs(step.right.mm_per_mm)) / 2
    if rate == 0.0:
        return []  # such a rod is refused because it stands upright
    explained = float(grading.grid_mm) / rate
    if abs(step.rounding_mm) <= explained + NOISE_MM:
        return []
    return [refused(
        "made_far_from_asked",
        f"the rods of {step.name} would hold the jaw {millimetres(step.rounding_mm)} mm from the "
        f"{millimetres(step.advancement_mm)} mm that were asked for, more than one step of the "
        f"length grid explains ({millimetres(explained)} mm); {_REMEDY}, or give a finer length "
        "grid",
        step.name,
    )]  # fmt: skip


def _in_order(before: Step, after: Step) -> list[Finding]:
    if after.made.advancement_mm > before.made.advancement_mm + NOISE_MM:
        return []
    return [refused(
        "steps_do_not_advance",
        f"the rods of {after.name} would hold the jaw at "
        f"{millimetres(after.made.advancement_mm)} mm, not in front of those of {before.name} "
        f"({millimetres(before.made.advancement_mm)} mm); set the steps further apart, or give a "
        "finer length grid",
        f"{before.name}, {after.name}",
    )]  # fmt: skip


def _gap(step: Step, neighbours: Sequence[tuple[Step, Step]]) -> float:
    """Give a step's distance to its nearest neighbour in made advancement, mm."""
    return min(
        (
            abs(after.made.advancement_mm - before.made.advancement_mm)
            for before, after in neighbours if step in (before, after)
        ),
        default=math.inf,
    )


def _told_apart(step: Step, gap_mm: float) -> list[Finding]:
    if step.hold is None or step.hold.forward_mm is None:
        return []
    if step.hold.forward_mm < gap_mm / 2 - NOISE_MM:
        return []
    return [refused(
        "jaw_not_held_forward",
        f"rods at {step.name} that are within tolerance let the jaw move "
        f"±{millimetres(step.hold.forward_mm)} mm forward, but the next step is only "
        f"{millimetres(gap_mm)} mm away and it must stay below half of that; {_REMEDY}, or set the "
        "steps further apart",
        step.name,
    )]  # fmt: skip
