"""How far apart the parts of a build plate lie, from their corners as placed."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np

from labkit.exports.write.plates import PlatePlan


def least_gap_mm(plan: PlatePlan) -> float:
    """Give the least distance between the boxes of two placed parts, infinite for a single one.

    The boxes are those of the corners brought to their place by the plan's transforms; nothing
    of the packing's own boxes is used.
    """
    boxes = []
    for placement in plan.placements:
        rotation, shift = plan.transform(placement)
        placed = plan.parts[placement.part].vertices @ rotation.T + shift
        boxes.append((placed.min(axis=0)[:2], placed.max(axis=0)[:2]))
    return min(
        (
            float(np.maximum(low - other_high, other_low - high).max())
            for (low, high), (other_low, other_high) in combinations(boxes, 2)
        ),
        default=math.inf,
    )
