"""Meshes made ready for looking at: smooth where the rod is, sharp at its edges, label inked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.rods import Rod

#: Facets that turn by more than this at an edge keep the edge.
SHARP_DEG = 30.0
#: How near to a level a corner must lie to be on it; float32 of an STL is far within.
_LEVEL_MM = 2e-3
#: A facet or a sum of facets that is smaller has no direction, mm².
_LEAST = 1e-12
#: A facet that stands less upright than this is no wall of the engraving.
_UPRIGHT = 1e-2


class Triangles(Protocol):
    """A closed mesh in mm: as built, or as read from an STL file."""

    @property
    def vertices(self) -> NDArray[np.float64]:
        """Corners, shape (n, 3)."""

    @property
    def triangles(self) -> NDArray[np.int32]:
        """Corner numbers, shape (m, 3)."""


@dataclass(frozen=True, eq=False)
class ShownRod:
    """A rod to be shown, its mesh in the rod frame."""

    rod: Rod
    mesh: Triangles


@dataclass(frozen=True, eq=False)
class ShadedMesh:
    """A mesh with a normal at each corner, corners doubled at sharp edges.

    Args:
        vertices: Corners as the reader sees them: x right, y up, z towards the reader, mm.
        inked: For each triangle, whether it belongs to the engraving.
    """

    vertices: NDArray[np.float32]
    normals: NDArray[np.float32]
    triangles: NDArray[np.int32]
    inked: NDArray[np.bool_]


def shaded(shown: ShownRod) -> ShadedMesh:
    """Make a rod ready to be shown to someone who looks at its inward face.

    The engraving is told from the rest, so that a picture can darken it as ink in the grooves
    would: light alone leaves the floor of a groove as bright as the face.
    """
    inward = shown.rod.hand.inward_y
    # The reader's right is −i x, up is z, nearness is i y: a rotation, nothing is mirrored.
    turn = np.array([[-inward, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, inward, 0.0]])
    vertices = shown.mesh.vertices @ turn.T
    inked = _engraved(shown.rod, vertices, shown.mesh.triangles)
    return _with_normals(vertices, shown.mesh.triangles, inked)


def _engraved(
    rod: Rod, vertices: NDArray[np.float64], triangles: NDArray[np.int32]
) -> NDArray[np.bool_]:
    face = rod.template.body.label_level_mm
    depth = vertices[triangles][..., 2] - face
    on_face = np.abs(depth) < _LEVEL_MM
    on_floor = np.abs(depth + rod.template.label.depth_mm) < _LEVEL_MM
    corners = vertices[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    facing = cross[:, 2] / np.maximum(np.linalg.norm(cross, axis=1), _LEAST)
    floor = on_floor.all(axis=1) & (facing > 1.0 - _UPRIGHT)
    wall = (on_floor | on_face).all(axis=1) & on_floor.any(axis=1) & (np.abs(facing) < _UPRIGHT)
    engraved: NDArray[np.bool_] = floor | wall
    return engraved


def _with_normals(
    vertices: NDArray[np.float64], triangles: NDArray[np.int32], inked: NDArray[np.bool_]
) -> ShadedMesh:
    """Give each corner the mean of the facets about it, by area, up to sharp edges."""
    corners = vertices[triangles]
    crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    parted = _parted(triangles, crosses)
    firsts = np.nonzero(parted == np.arange(len(parted)))[0]
    number = np.empty(len(parted), dtype=np.int32)
    number[firsts] = np.arange(len(firsts))
    number = number[parted]
    of_facet = np.repeat(crosses, 3, axis=0)
    sums = np.stack([np.bincount(number, of_facet[:, axis]) for axis in range(3)], axis=1)
    # Plain products and sums: a numeric library may join them, rounded once, on some processors.
    lengths = np.sqrt((sums * sums).sum(axis=1))
    return ShadedMesh(
        vertices=corners.reshape(-1, 3)[firsts].astype(np.float32),
        normals=(sums / np.maximum(lengths, _LEAST)[:, None]).astype(np.float32),
        triangles=number.reshape(-1, 3),
        inked=inked,
    )


def _parted(
    triangles: NDArray[np.int32], crosses: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Give for each corner of each triangle the least number of those that are one with it.

    About a vertex each triangle has a next one, behind the edge that begins there. Corners are one
    where one comes to the other in this way, over edges that are not sharp.
    """
    begins, ends = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    count = int(triangles.max()) + 1
    edges, others = (a.astype(np.int64) * count + b for a, b in ((begins, ends), (ends, begins)))
    # Of a closed mesh each edge runs once either way.
    other = np.empty(len(edges), dtype=np.intp)
    other[np.argsort(others)] = np.argsort(edges)
    unit = crosses / np.maximum(np.linalg.norm(crosses, axis=1), _LEAST)[:, None]
    own = np.arange(len(edges))
    turn = (unit[own // 3] * unit[other // 3]).sum(axis=1)
    smooth = (edges[other] == others) & (turn > np.cos(np.radians(SHARP_DEG)))
    behind = 3 * (other // 3) + (other + 1) % 3
    onward, back = np.where(smooth, behind, own), own.copy()
    back[behind[smooth]] = own[smooth]
    least, before = own, None
    while before is None or not np.array_equal(least, before):
        before = least
        least = np.minimum(least, np.minimum(least[onward], least[back]))
        onward, back = onward[onward], back[back]
    return least
