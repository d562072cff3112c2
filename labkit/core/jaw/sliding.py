"""The sliding jaw model: the jaw translates along an inclined straight path."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.grading.prescription import Point
from labkit.core.jaw.model import Designed, ReadBack
from labkit.core.jaw.rotation import Floats
from labkit.core.numbers import Finite

_SIDES = ("left", "right")


@dataclass(frozen=True)
class SlidingJaw(Finite):
    """Anchors known, the jaw does not turn.

    Formula: M′ = M + d w, w = (1, k, −tan φ), L = |U − M′|; read back from
    |w|² d² − 2 b d + L₀² − L² = 0, b = w·(U − M), by the root that is 0 at L = L₀.

    Args:
        upper, lower: Anchor points, left and right, at the registered bite.
        path_inclination_deg: φ, + downwards going forward.
        sideways_per_mm: k, midline deviation for each mm forward.

    Validity: −90° < φ < 90°, anchors apart.

    Source: DEVELOPERS.md, The design.
    """

    upper: tuple[Point, Point]
    lower: tuple[Point, Point]
    path_inclination_deg: float
    sideways_per_mm: float

    sides_alone = True

    @property
    def _path(self) -> Floats:
        slope = math.tan(math.radians(self.path_inclination_deg))
        return np.array([1.0, self.sideways_per_mm, -slope])

    def design(self, displacement_mm: Floats) -> Designed:
        """Give the rod lengths at displacements, shape (N,)."""
        spans = np.array(self.upper) - np.array(self.lower)
        rods = spans - displacement_mm[:, None, None] * self._path
        lengths = np.sqrt((rods * rods).sum(axis=-1))
        return Designed(lengths, -(rods @ self._path) / lengths)

    def read_back(self, lengths_mm: Floats, near: Designed | None = None) -> ReadBack:  # noqa: ARG002
        """Read each side by itself; the mean is the displacement.

        Args:
            lengths_mm: Lengths of the rods, left and right, mm, shape (N, 2).
            near: Not needed: the equation is solved in closed form.

        Returns:
            The positions; members without an answer are named in it.
        """
        spans = np.array(self.upper) - np.array(self.lower)
        along = spans @ self._path
        registered = np.sqrt((spans * spans).sum(axis=-1))
        missing = (registered - lengths_mm) * (registered + lengths_mm)
        under_root = along * along - (self._path @ self._path) * missing
        reached = np.where(under_root >= 0.0, under_root, np.nan)
        # b + sign(b)·√… never cancels, so the root near d = 0 keeps all its digits.
        sides = missing / (along + np.copysign(np.sqrt(reached), along))
        displacement = sides.mean(axis=1)
        return ReadBack(
            displacement, self._problems(lengths_mm, reached),
            side_mismatch_mm=sides[:, 0] - sides[:, 1],
            deviation_mm=self.sideways_per_mm * displacement,
        )

    @staticmethod
    def _problems(lengths_mm: Floats, reached: Floats) -> dict[int, str]:
        problems = {}
        for member, side in np.argwhere(np.isnan(reached))[::-1]:
            problems[int(member)] = (
                f"no point of the path gives a {_SIDES[side]} rod of "
                f"{lengths_mm[member, side]:.3f} mm, because the rod is upright to the path "
                "before it is so short; check the anchors and the path inclination"
            )
        return problems
