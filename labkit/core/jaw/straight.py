"""The straight jaw model: rods along the path, one mm of length for one mm forward."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.jaw.model import Designed, ReadBack
from labkit.core.jaw.rotation import Floats
from labkit.core.numbers import Finite


@dataclass(frozen=True)
class StraightJaw(Finite):
    """Only the anchor distances at the registered bite are known.

    Formula: L = L_reg − σ d.

    Args:
        registered_mm: L_reg, left and right.
        sigma: +1 for pull, −1 for push.

    >>> StraightJaw((33.6, 33.6), 1).design(np.array([2.0])).lengths_mm.tolist()
    [[31.6, 31.6]]

    Source: DEVELOPERS.md, The design.
    """

    registered_mm: tuple[float, float]
    sigma: int

    sides_alone = True

    def design(self, displacement_mm: Floats) -> Designed:
        """Give the rod lengths at displacements, shape (N,)."""
        lengths = np.array(self.registered_mm) - self.sigma * displacement_mm[:, None]
        return Designed(lengths, np.full_like(lengths, -float(self.sigma)))

    def read_back(self, lengths_mm: Floats, near: Designed | None = None) -> ReadBack:  # noqa: ARG002
        """Read each side by itself; the mean is the displacement.

        Args:
            lengths_mm: Lengths of the rods, left and right, mm, shape (N, 2).
            near: Not needed: the equation is linear.
        """
        sides = self.sigma * (np.array(self.registered_mm) - lengths_mm)
        return ReadBack(sides.mean(axis=1), side_mismatch_mm=sides[:, 0] - sides[:, 1])
