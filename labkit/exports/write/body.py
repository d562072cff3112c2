"""A template's body as plain data: what its rods are written from."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labkit.exports.write.mesh import Numbers, Singles
from labkit.exports.write.solid_parts import Floats
from labkit.exports.write.step_text import StepText


@dataclass(frozen=True, eq=False)
class Flat:
    """A plane face that is triangulated for each rod.

    Args:
        loops: Numbers of the corners along its boundaries, material on the left.
        to_plane: Two directions in it, as columns, shape (3, 2).
        turned: Whether the normal is against the one about which they turn left.
        normal: Out of the material, shape (3,).
    """

    loops: tuple[Numbers, ...]
    to_plane: Floats
    turned: bool
    normal: Singles


@dataclass(frozen=True, eq=False)
class Body:
    """A body whose ends move: x = x₀ + share · length, share −½ or ½.

    Args:
        points: Corners of the mesh at the length 0, shape (N, 3).
        shares: Of each corner.
        triangles, normals: Of all faces but the loose ones.
        loose: Plane faces that reach from end to end; the label face is the last one.
        step: Entities of all faces but the label face, and its bounds and plane.
        volume_mm3: Volume at the length 0 and what each mm adds, by the kernel, unlabelled.
        shortest_mm: Below it no bar is left between the ends.
    """

    points: Floats
    shares: Floats
    triangles: Numbers
    normals: Singles
    loose: tuple[Flat, ...]
    step: StepText
    volume_mm3: tuple[float, float]
    shortest_mm: float

    def corners(self, length_mm: float) -> Floats:
        """Give the corners of the mesh at a length."""
        moved = self.points.copy()
        moved[:, 0] += self.shares * length_mm
        return moved

    def volume_at(self, length_mm: float) -> float:
        """Give the volume at a length, mm³, without a label."""
        return self.volume_mm3[0] + self.volume_mm3[1] * length_mm

    def digest(self) -> str:
        """Give the SHA-256 of all that it holds."""
        told = hashlib.sha256()
        for array in self._arrays():
            told.update(np.ascontiguousarray(array).data)
        step = self.step
        facts = (step.text, step.faces, step.bounds, step.plane, step.count,
                 self.volume_mm3, self.shortest_mm, [flat.turned for flat in self.loose])
        told.update(repr(facts).encode())
        return told.hexdigest()

    def _arrays(self) -> Iterator[NDArray[Any]]:
        yield from (self.points, self.shares, self.triangles, self.normals)
        yield from (self.step.x, self.step.shares)
        for flat in self.loose:
            yield from flat.loops
            yield from (flat.to_plane, flat.normal)


def areas_mm2(triangles: Floats) -> Floats:
    """Give the areas of plane triangles, shape (M, 3, 2); below 0 where they turn right."""
    x, y = triangles.transpose(2, 1, 0)
    found: Floats = (x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0])
    return found / 2
