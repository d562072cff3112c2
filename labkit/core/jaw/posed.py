"""Where a pair of rods holds the lower jaw, as a movement of its points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.grading.bite import BiteScale, bite_scale
from labkit.core.grading.prescription import JawModelName, Point, Prescription
from labkit.core.jaw.build import hinged_jaw, jaw_model
from labkit.core.jaw.model import Problems
from labkit.core.jaw.opening import require_opening
from labkit.core.jaw.rotation import Floats, rotations
from labkit.errors import JawModelError


@dataclass(frozen=True, eq=False)
class JawPose:
    """A position of the lower jaw.

    Formula: X′ = R (X − I) + I + t.

    Args:
        incisal: I, the lower incisal point at the registered bite.
        shift_mm: t, from the registered bite, shape (3,).
        rotation: R, shape (3, 3).
        advancement_mm: From zero, at the incisal point.
        percent: The same in percent of the protrusive range.
    """

    incisal: Point
    shift_mm: Floats
    rotation: Floats
    advancement_mm: float
    percent: float

    def moved(self, point: Point) -> Point:
        """Give where a point of the lower jaw lies."""
        start = np.array(self.incisal)
        x, y, z = self.rotation @ (np.array(point) - start) + start + self.shift_mm
        return (float(x), float(y), float(z))


def poses_of(
    prescription: Prescription, lengths_mm: Sequence[tuple[float, float]], drop_mm: float = 0.0
) -> tuple[JawPose, ...]:
    """Find where pairs of rods hold the jaw, closed or opened.

    Args:
        prescription: One that grading does not refuse.
        lengths_mm: Left and right rod of each pair.
        drop_mm: Hinged model: drop of the incisal point from the registered bite, + downwards;
            0 for a closed mouth, whose pads touch.

    Raises:
        JawModelError: With one of the pairs the jaw has no such position.
        RefusedError: A drop with another jaw model, which knows nothing of opening.
    """
    scale = bite_scale(prescription.bite)
    model, pairs = prescription.jaw.model, np.array(lengths_mm)
    if model is JawModelName.HINGED:
        return _turned(prescription, scale, pairs, drop_mm)
    if drop_mm:
        require_opening(model)
    read = jaw_model(prescription, scale.sideways_per_mm).read_back(pairs)
    _require(read.problems)
    down = 0.0
    if model is JawModelName.SLIDING:
        down = math.tan(math.radians(prescription.jaw.path_inclination_deg))
    path = np.array([1.0, scale.sideways_per_mm, -down])
    return tuple(
        _pose(prescription, scale, float(forward) * path, np.eye(3))
        for forward in read.displacement_mm
    )


def _turned(
    prescription: Prescription, scale: BiteScale, pairs: Floats, drop_mm: float
) -> tuple[JawPose, ...]:
    jaw = hinged_jaw(prescription, scale.sideways_per_mm)
    if drop_mm:
        solved = jaw.opening(pairs, np.full(len(pairs), drop_mm))
        problems, poses = solved.problems, solved.poses
    else:
        read = jaw.read_back(pairs)
        assert read.poses is not None
        problems, poses = read.problems, read.poses
    _require(problems)
    turned, _ = rotations(poses[:, 3:])
    return tuple(
        _pose(prescription, scale, pose[:3], rotation)
        for pose, rotation in zip(poses, turned, strict=True)
    )


def _require(problems: Problems) -> None:
    for problem in problems.values():
        raise JawModelError(f"no position of the jaw: {problem}", field="pose")


def _pose(
    prescription: Prescription, scale: BiteScale, shift: Floats, rotation: Floats
) -> JawPose:
    advancement = float(shift[0]) + float(scale.registered_advancement_mm)
    return JawPose(
        prescription.jaw.incisal, shift, rotation, advancement,
        100.0 * advancement / float(scale.range_mm),
    )
