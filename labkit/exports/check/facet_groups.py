"""Which facets of a mesh go on smoothly into each other, and how bent they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.exports.check.stl_reader import FacetMesh

#: Facets of one curved surface meet at less than this; faces of a part at 45° or more.
SMOOTH_COSINE = 0.819  # 35°
#: Facets that meet at less than this are one plane, to float32.
FLAT_COSINE = 0.9999995  # 0.06°


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Pairs of facets that share an edge.

    Args:
        first, second: Facet numbers, shape (n,).
        cosine: Cosine of the angle between their normals, shape (n,).
        open_edges: How many edges do not belong to exactly two facets.
        turned_edges: How many edges two facets run along the same way.
    """

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    cosine: NDArray[np.float64]
    open_edges: int
    turned_edges: int


def neighbours(mesh: FacetMesh) -> Neighbours:
    """Pair the facets along each edge that has exactly two, running opposite ways."""
    starts = mesh.triangles.ravel().astype(np.int64)
    ends = np.roll(mesh.triangles, -1, axis=1).ravel().astype(np.int64)
    keys = np.minimum(starts, ends) * len(mesh.vertices) + np.maximum(starts, ends)
    order = np.argsort(keys)
    ordered = keys[order]
    edge_starts = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    uses = np.diff(np.append(edge_starts, len(ordered)))
    twice = edge_starts[uses == 2]
    one, other = order[twice], order[twice + 1]
    opposite = starts[one] == ends[other]
    first, second = one[opposite] // 3, other[opposite] // 3
    normals = mesh.normals
    cosine = np.einsum("ij,ij->i", normals.take(first, axis=0), normals.take(second, axis=0))
    return Neighbours(first, second, cosine, int((uses != 2).sum()), int((~opposite).sum()))


def groups(
    count: int, first: NDArray[np.intp], second: NDArray[np.intp]
) -> NDArray[np.intp]:
    """Give each of `count` items joined in pairs the smallest item of its connected group.

    >>> groups(5, np.array([0, 3]), np.array([1, 4])).tolist()
    [0, 0, 2, 3, 3]
    """
    root = np.arange(count)
    while True:
        one, other = root[first], root[second]
        apart = one != other
        if not apart.any():
            return root
        first, second, one, other = first[apart], second[apart], one[apart], other[apart]
        # The root of one group becomes a member of the other; then all look for their new root.
        np.minimum.at(root, np.maximum(one, other), np.minimum(one, other))
        while not np.array_equal(shorter := root[root], root):
            root = shorter


def curved_area(mesh: FacetMesh, pairs: Neighbours) -> float:
    """Give the area of the facets that belong to curved surfaces."""
    bent = (pairs.cosine < FLAT_COSINE) & (pairs.cosine > SMOOTH_COSINE)
    curved = np.zeros(len(mesh.triangles), dtype=bool)
    curved[pairs.first[bent]] = curved[pairs.second[bent]] = True
    return float(mesh.twice_areas[curved].sum() / 2.0)
