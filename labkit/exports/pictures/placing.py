"""Where the rods of a set lie in a picture: by length, none behind another."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from labkit.core.rod.by_length import columns_by_length
from labkit.exports.pictures.shading import ShadedMesh, ShownRod, shaded

#: The reader of a picture looks down by this much from the normal of the face, so that depth
#: is seen.
TILT_DEG = 27.0
#: Room between columns, and as seen between rows.
_GAP_MM = (7.0, 2.5)


@dataclass(frozen=True, eq=False)
class PlacedRod:
    """A rod made ready for looking at, moved right and up by `shift_mm` into its place."""

    part: str
    mesh: ShadedMesh
    shift_mm: tuple[float, float]


def placed_by_length(rods: Iterable[ShownRod]) -> list[PlacedRod]:
    """Lay rods out in their order, left ends below and mirror parts beside one another.

    The work on the meshes is done here, once for all pictures; only what is shown of them stays.
    """
    ready = [(shown.rod, shaded(shown)) for shown in rods]
    meshes = [mesh for _, mesh in ready]
    lows = np.array([mesh.vertices.min(axis=0) for mesh in meshes])
    sizes = np.array([mesh.vertices.max(axis=0) for mesh in meshes]) - lows
    widest, highest, deepest = (float(size) for size in sizes.max(axis=0))
    # What stands towards the reader hides what lies above it.
    pitch = highest + _GAP_MM[1] + deepest * float(np.tan(np.radians(TILT_DEG)))
    shifts: dict[int, tuple[float, float]] = {}
    for column, places in enumerate(columns_by_length([rod for rod, _ in ready])):
        for row, place in enumerate(places):
            left = column * (widest + _GAP_MM[0]) - float(lows[place][0])
            shifts[place] = (left, -row * pitch)
    return [
        PlacedRod(rod.part, mesh, shifts[place]) for place, (rod, mesh) in enumerate(ready)
    ]
