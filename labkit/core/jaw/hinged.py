"""The hinged jaw model: a rigid jaw on two condylar guides and the pads of the splints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.jaw.model import Designed, ReadBack
from labkit.core.jaw.newton import Conditions, Solution, linear_solve, rods, solve
from labkit.core.jaw.rotation import Floats, rotations

_X, _Y, _Z = np.eye(3)


@dataclass(frozen=True, eq=False)
class HingedJaw:
    """Geometry of hinged jaws, one or a batch.

    Formula: X′ = R(ω)(X − I) + I + t. Always: n·(C′ − C) = 0 at each condyle, n = (sin α, 0,
    cos α); the condyles' midpoint keeps its y; n·(P̄′ − P̄) = 0 at the mean of the pads,
    n = (sin β, 0, cos β). Then either t_x and t_y are given (design), or both rod lengths
    (reading back), or both lengths and, instead of the pads, t_z (opening).

    Args:
        incisal: I, shape (B, 3).
        condyles: C, left and right, shape (B, 2, 3).
        condylar_inclination_deg: α, left and right, shape (B, 2).
        pads: P, left and right, shape (B, 2, 3).
        contact_inclination_deg: β, shape (B, 1).
        upper, lower: Anchor points, left and right, shape (B, 2, 3).
        sideways_per_mm: Midline deviation for each mm forward, shape (B,).

    B is 1, or the size of every batch asked of it; each array may choose for itself. Lengths in
    mm, angles in degrees, lower-jaw points as they lie at the registered bite.

    Source: DEVELOPERS.md, The design; with the pads at the incisal point, F. T. Christensen's
    construction, J Prosthet Dent 1959.
    """

    incisal: Floats
    condyles: Floats
    condylar_inclination_deg: Floats
    pads: Floats
    contact_inclination_deg: Floats
    upper: Floats
    lower: Floats
    sideways_per_mm: Floats

    sides_alone = False

    def design(self, displacement_mm: Floats) -> Designed:
        """Give the rod lengths at displacements along the recorded path, shape (N,)."""
        forward = np.asarray(displacement_mm, dtype=float)
        solved = self.poses(forward, self.sideways_per_mm * forward)
        lengths, rates = self.lengths(solved)
        return Designed(lengths, rates, solved.problems, solved.poses)

    def poses(self, forward_mm: Floats, sideways_mm: Floats) -> Solution:
        """Find the poses with the incisal point moved forward and to the left.

        Args:
            forward_mm: Displacement of the incisal point along x, shape (N,).
            sideways_mm: Displacement along y, + to the patient's left, shape (N,).

        Returns:
            The poses; members without an answer are named in it.
        """
        asked = self._incisal_rows(_X, _Y)
        conditions = self._conditions((*self._guides(), self._pad_rows(), asked))
        targets = np.zeros((len(forward_mm), 6))
        targets[:, 4], targets[:, 5] = forward_mm, sideways_mm
        # A jaw that only slides along the contact plane is near every answer.
        start = np.zeros_like(targets)
        start[:, :2] = targets[:, 4:]
        start[:, 2] = -forward_mm * np.tan(np.radians(self.contact_inclination_deg[:, 0]))
        return solve(conditions, start, targets)

    def read_back(self, lengths_mm: Floats, near: Designed | None = None) -> ReadBack:
        """Find the poses that pairs of rods hold.

        The answer is the pose continuous with `near`, or else with the registered bite.

        Args:
            lengths_mm: Lengths of the rods, left and right, shape (N, 2).
            near: Designed poses to start from.

        Returns:
            The positions; members without an answer are named in it.
        """
        solved = self._read_poses(lengths_mm, None if near is None else near.poses)
        poses = solved.poses
        return ReadBack(
            displacement_mm=poses[:, 0], problems=solved.problems, deviation_mm=poses[:, 1],
            rotation_deg=np.degrees(poses[:, 3:]), pad_gap_mm=self.pad_gaps(poses), poses=poses,
        )

    def lengths(self, solved: Solution) -> tuple[Floats, Floats]:
        """Give the rod lengths at designed poses, and dL/dd along the recorded path there.

        Args:
            solved: Poses found by `poses`.

        Returns:
            Lengths and rates, each of shape (N, 2), left and right.
        """
        rotation, left_jacobian = rotations(solved.poses[:, 3:])
        lengths, towards, arms = rods(*self._rod_points(), rotation, solved.poses[:, None, :3])
        asked = np.zeros((len(lengths), 6, 1))
        asked[:, 4, 0], asked[:, 5, 0] = 1.0, self.sideways_per_mm
        motion = linear_solve(solved.jacobian, asked)[..., 0]
        turning = left_jacobian @ motion[:, 3:, None]
        velocity = motion[:, None, :3] + np.cross(turning.swapaxes(-1, -2), arms)
        return lengths, -(towards * velocity).sum(axis=-1)

    def opening(self, lengths_mm: Floats, drop_mm: Floats) -> Solution:
        """Find the poses that pairs of rods hold, shape (N, 2), as the incisal point drops.

        Args:
            lengths_mm: Rod lengths, left and right, shape (N, 2).
            drop_mm: Drop of the incisal point from the registered bite, + downwards, shape (N,).
        """
        closed = self._read_poses(lengths_mm, None)
        conditions = self._conditions((*self._guides(), self._incisal_rows(_Z)), with_rods=True)
        targets = np.zeros((len(lengths_mm), 6))
        targets[:, 3], targets[:, 4:] = -drop_mm, lengths_mm
        opened = solve(conditions, closed.poses, targets)
        return Solution(opened.poses, opened.jacobian, {**opened.problems, **closed.problems})

    def pad_gaps(self, poses: Floats) -> Floats:
        """Give the vertical gap at each pad, + apart, shape (N, 2).

        Formula: −n·(P′ − P)/cos β, along z from the moved pad to the contact plane.
        """
        relative = self.pads - self.incisal[:, None]
        rotation, _ = rotations(poses[:, 3:])
        moved = relative @ rotation.swapaxes(-1, -2) + poses[:, None, :3] - relative
        beta = np.radians(self.contact_inclination_deg)
        return -(moved[..., 0] * np.tan(beta) + moved[..., 2])

    def _read_poses(self, lengths_mm: Floats, start: Floats | None) -> Solution:
        conditions = self._conditions((*self._guides(), self._pad_rows()), with_rods=True)
        targets = np.zeros((len(lengths_mm), 6))
        targets[:, 4:] = lengths_mm
        return solve(conditions, np.zeros_like(targets) if start is None else start, targets)

    def _rod_points(self) -> tuple[Floats, Floats]:
        origin = self.incisal[:, None]
        return self.upper - origin, self.lower - origin

    def _conditions(
        self, planes: tuple[tuple[Floats, Floats], ...], *, with_rods: bool = False
    ) -> Conditions:
        size = max(len(part) for row in planes for part in row)
        normals = np.concatenate([_sized(normal, size) for normal, _ in planes], axis=1)
        points = np.concatenate([_sized(point, size) for _, point in planes], axis=1)
        if with_rods:
            return Conditions(normals, points, *self._rod_points())
        none = np.empty((1, 0, 3))
        return Conditions(normals, points, none, none)

    def _guides(self) -> tuple[tuple[Floats, Floats], ...]:
        """Conditions 1 to 3: both guidance planes, and no sideways shift of the midpoint."""
        condyles = self.condyles - self.incisal[:, None]
        middle = condyles.mean(axis=1, keepdims=True)
        return (_plane_normals(self.condylar_inclination_deg), condyles), (_Y[None, None], middle)

    def _pad_rows(self) -> tuple[Floats, Floats]:
        """Condition 4: the mean of the pads stays on the contact plane."""
        pads = self.pads - self.incisal[:, None]
        return _plane_normals(self.contact_inclination_deg), pads.mean(axis=1, keepdims=True)

    @staticmethod
    def _incisal_rows(*axes: Floats) -> tuple[Floats, Floats]:
        normals = np.array(axes)[None]
        return normals, np.zeros_like(normals)


def _plane_normals(inclination_deg: Floats) -> Floats:
    """Normals (sin α, 0, cos α) of planes that fall by α going forward."""
    alpha = np.radians(inclination_deg)
    return np.stack((np.sin(alpha), np.zeros_like(alpha), np.cos(alpha)), axis=-1)


def _sized(part: Floats, size: int) -> Floats:
    return np.broadcast_to(part, (size, *part.shape[1:]))
