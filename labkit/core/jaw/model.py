"""What every jaw model answers: lengths for displacements, and positions for lengths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from labkit.core.jaw.rotation import Floats
from labkit.errors import JawModelError

#: Why a member of a batch has no answer, by its index.
Problems = Mapping[int, str]


def require_solved(problems: Problems, count: int) -> None:
    """Refuse a batch in which a member has no answer.

    Args:
        problems: Reason for each member without an answer.

    Raises:
        JawModelError: Names the first such member, counted from 1; `value` has all indices,
            counted from 0.
    """
    if problems:
        first = min(problems)
        raise JawModelError(
            f"pose {first + 1} of {count}: {problems[first]}",
            field="pose", value=tuple(sorted(problems)),
        )


@dataclass(frozen=True, eq=False)
class Designed:
    """Rod lengths for given displacements.

    Args:
        lengths_mm: Shape (N, 2), left and right.
        mm_per_mm: dL/dd along the path, shape (N, 2).
        problems: Members without an answer (NaN in the arrays).
        poses: Hinged: shape (N, 6).
    """

    lengths_mm: Floats
    mm_per_mm: Floats
    problems: Problems = field(default_factory=dict)
    poses: Floats | None = None


@dataclass(frozen=True, eq=False)
class ReadBack:
    """Where the jaw stands with given pairs of rods.

    Args:
        displacement_mm: Along x from the registered bite, shape (N,).
        problems: Members without an answer (NaN in the arrays).
        side_mismatch_mm: Left minus right displacement, shape (N,), where each side is read
            by itself.
        deviation_mm: Along y from the registered bite, shape (N,).
        rotation_deg: Roll, pitch and yaw, shape (N, 3).
        pad_gap_mm: Left and right, shape (N, 2), + apart.
        poses: Hinged: shape (N, 6).
    """

    displacement_mm: Floats
    problems: Problems = field(default_factory=dict)
    side_mismatch_mm: Floats | None = None
    deviation_mm: Floats | None = None
    rotation_deg: Floats | None = None
    pad_gap_mm: Floats | None = None
    poses: Floats | None = None


class JawModel(Protocol):
    """A jaw model with one patient's geometry in it."""

    @property
    def sides_alone(self) -> bool:
        """Whether each side is read back by itself; else the pair fixes the pose."""
        ...

    def design(self, displacement_mm: Floats) -> Designed:
        """Give the rod lengths at displacements along the recorded path, shape (N,)."""
        ...

    def read_back(self, lengths_mm: Floats, near: Designed | None = None) -> ReadBack:
        """Give the positions that pairs of rods hold.

        Args:
            lengths_mm: Lengths of the rods, left and right, shape (N, 2).
            near: Designed poses to start from, where the model searches.

        Returns:
            The positions; members without an answer are named in it.
        """
        ...
