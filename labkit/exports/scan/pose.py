"""Where a rod lies in a scan: its nominal surface laid into the points, from every side."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.exports.expected.base import Array
from labkit.exports.scan.shape import RodShape

#: Rolls about the rod's axis tried at first; the surface draws in from half a step away.
ROLL_STEP_DEG = 45.0
#: Points used to tell the trials apart, and to lay the best ones in.
FEW_POINTS, MANY_POINTS = 500, 4000
#: How many of the trials are laid in with many points.
KEPT_TRIALS = 4
#: A trial whose cost is so many times that of the best one comes to nothing.
HOPELESS = 8.0
#: Poses that differ by less, and in no axis' direction by more, are one.
ALIKE_MM, ALIKE_TURN = 0.3, 0.03
#: Reach of the surface's pull, mm, from coarse to fine; the last one is a few times the noise.
COARSE_MM = (2.0, 1.0, 1.0, 0.6, 0.6)
FINE_MM = (0.6, 0.4, 0.3, 0.2, 0.15, 0.12, 0.1, 0.1, 0.1, 0.1)
#: Difference for the gradient of the distance.
STEP_MM = 1e-3
#: Keeps a turn or shift that the points do not fix where it is.
DAMPING = 1e-4
#: The lengths tried lie this share about what the template allows: a wrong rod is still measured.
LENGTH_ROOM = 0.1


@dataclass(frozen=True, eq=False)
class Pose:
    """How scan coordinates become rod coordinates: p_rod = turn · (p_scan − place).

    Args:
        turn: Rotation, shape (3, 3); its rows are the rod's axes in the scan.
        place: The rod's origin in the scan, mm.
        length_mm: Functional length of the surface laid in.
        cost: Mean of r² / (r² + μ²) over the points, 0 … 1, at the finest μ.
    """

    turn: Array
    place: Array
    length_mm: float
    cost: float

    def to_rod(self, points: Array) -> Array:
        """Turn scan coordinates into rod coordinates, shape (…, 3)."""
        return np.asarray((points - self.place) @ self.turn.T, dtype=np.float64)

    def half_turned(self, axis: int) -> Pose:
        """Give the pose of the same rod turned by 180° about one of its own axes."""
        signs = -np.ones(3)
        signs[axis] = 1.0
        return Pose(signs[:, None] * self.turn, self.place, self.length_mm, self.cost)

    def is_like(self, other: Pose) -> bool:
        """Tell whether two poses differ by less than the surface's pull evens out."""
        shift = float(np.abs(self.place - other.place).max())
        turn = float(np.abs(self.turn - other.turn).max())
        return max(shift, abs(self.length_mm - other.length_mm)) < ALIKE_MM and turn < ALIKE_TURN


def lay_in(shape: RodShape, points: Array, *, aside: bool = False) -> Pose | None:
    """Lay the nominal surface into points of a scan; None where they are too few or too small.

    Formula: minimum over pose and length of Σ r² / (r² + μ²) (Geman–McClure), r the distance from
    the nominal surface, by Gauss–Newton with falling μ from many starts.

    Args:
        points: Points spread over the scan by area, mm, shape (n, 3).
        aside: Start beside the middle of the points as well: one side of the rod may be missing.

    Validity: the rod is most of what the points show.

    Source: S. Geman, D. E. McClure, 1987 (the weighting; from memory).
    """
    if len(points) < FEW_POINTS:
        return None
    starts = [pose for pose, beside in _starts(shape, points) if aside or not beside]
    few = points[:: max(1, len(points) // FEW_POINTS)]
    many = points[:: max(1, len(points) // MANY_POINTS)]
    trials = [_refine(shape, few, start, COARSE_MM) for start in starts]
    sound = sorted((pose for pose in trials if pose is not None), key=lambda pose: pose.cost)
    found: list[Pose] = []
    for trial in sound[:KEPT_TRIALS]:
        if trial.cost > HOPELESS * sound[0].cost:
            break
        same = [trial, *(trial.half_turned(axis) for axis in shape.half_turns)]
        if any(one.is_like(pose) for one in same for pose in found):
            continue  # it would come to lie there too
        laid = _refine(shape, many, trial, FINE_MM)
        found += [laid] if laid is not None else []
    return min(found, key=lambda pose: pose.cost) if found else None


def _starts(shape: RodShape, points: Array) -> list[tuple[Pose, bool]]:
    """Lay the rod along the longest direction, rolled and turned every way that is different.

    Where one side of the rod is missing, its axis lies beside the middle of what is left: each
    start comes with others aside.
    """
    middle = np.median(points, axis=0)
    few = (points - middle)[:: max(1, len(points) // 2000)]
    axes = np.linalg.svd(few, full_matrices=False)[2]
    along = (points - middle) @ axes[0]
    low, high = np.percentile(along, (0.3, 99.7))
    lower, upper = shape.reach()
    turned = shape.template.handed
    starts = []
    for sense in (1.0, -1.0) if turned else (1.0,):
        ends = (low, high) if sense > 0 else (-high, -low)
        length = ends[1] - ends[0] - lower - upper
        x = sense * axes[0]
        place = middle + (ends[0] + lower + length / 2.0) * x
        across, asides = _across(points, middle, axes)
        for roll in np.arange(0.0, 360.0, ROLL_STEP_DEG):
            y = math.cos(math.radians(roll)) * axes[1] + math.sin(math.radians(roll)) * axes[2]
            turn = np.stack([x, y, np.cross(x, y)])
            at, length = place + across, max(length, 1.0)
            starts.append((Pose(turn, at, length, 1.0), False))
            starts += [(Pose(turn, at + aside, length, 1.0), True) for aside in asides]
    return starts


def _across(points: Array, middle: Array, axes: Array) -> tuple[Array, Array]:
    """Give the shift across the axis to the middle of the points' extent, and to its borders."""
    across = (points - middle) @ axes[1:].T
    low, high = np.percentile(across, (2.0, 98.0), axis=0)
    half = (high - low)[:, None] / 2.0 * axes[1:]
    center = np.asarray((low + high) / 2.0 @ axes[1:], dtype=np.float64)
    return center, np.concatenate([half, -half])


def _refine(
    shape: RodShape, points: Array, start: Pose, reaches_mm: tuple[float, ...]
) -> Pose | None:
    """Lay the surface in from a start; each step pulls from less far."""
    turn, place, length = start.turn, start.place, start.length_mm
    low = float(shape.template.shortest_mm) * (1.0 - LENGTH_ROOM)
    high = float(shape.template.longest_mm) * (1.0 + LENGTH_ROOM)
    for reach in reaches_mm:
        local = (points - place) @ turn.T
        residual, jacobian = _linearised(shape, local, length)
        weight = (reach**2 / (reach**2 + residual**2)) ** 2
        normal = jacobian.T @ (weight[:, None] * jacobian)
        # Turns are weighed by half a rod's length, so that all seven unknowns are millimetres.
        scale = np.array([1.0, 1.0, 1.0, length / 2, length / 2, length / 2, 1.0])
        normal += np.diag(DAMPING * len(points) * scale**2 / len(scale))
        right = -jacobian.T @ (weight * residual)
        step = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
        length = float(np.clip(length + step[6], low, high))
        spin = _rotation(step[3:6])
        # p' = spin · p + shift in rod coordinates.
        turn = spin @ turn
        place = place - turn.T @ step[:3]
    if not (np.isfinite(turn).all() and np.isfinite(place).all()):
        return None
    local = (points - place) @ turn.T
    square = shape.distance(local, length) ** 2
    cost = float((square / (square + reaches_mm[-1] ** 2)).mean())
    return Pose(turn, place, length, cost)


def _linearised(shape: RodShape, local: Array, length_mm: float) -> tuple[Array, Array]:
    """Give the distances and their derivatives by shift, turn and length, shape (n, 7)."""
    moved = STEP_MM * np.vstack([np.zeros(3), np.eye(3)])[:, None] + local
    distances = shape.distance(moved.reshape(-1, 3), length_mm).reshape(4, -1)
    residual, gradient = distances[0], (distances[1:] - distances[0]).T / STEP_MM
    # Each half of a rod moves with its own end, and what lies between has no gradient along x.
    by_length = -0.5 * np.sign(local[:, 0]) * gradient[:, 0]
    return residual, np.column_stack([gradient, np.cross(local, gradient), by_length])


def _rotation(vector: Array) -> Array:
    """Give the rotation matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(
        np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * cross @ cross,
        dtype=np.float64,
    )
