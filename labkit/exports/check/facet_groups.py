"""Which facets of a mesh go on smoothly into each other, and how bent they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.exports.check.stl_reader import FacetMesh, sorted_with_places

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
    starts = np.ascontiguousarray(mesh.triangles.T).ravel()  # corner by corner
    count = len(mesh.triangles)
    ends = np.roll(starts, -count)
    keys = np.minimum(starts, ends).astype(np.uint64) * np.uint64(len(mesh.vertices))
    keys += np.maximum(starts, ends).astype(np.uint64)
    ordered, order = sorted_with_places(keys)
    edge_starts = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    uses = np.diff(np.append(edge_starts, len(ordered)))
    twice = edge_starts[uses == 2]
    one, other = order[twice], order[twice + 1]
    opposite = starts[one] == ends[other]
    first, second = one[opposite] % count, other[opposite] % count
    cosine = sum(axis.take(first) * axis.take(second) for axis in mesh.normals.T)
    return Neighbours(first, second, cosine, int((uses != 2).sum()), int((~opposite).sum()))


def groups(
    count: int, first: NDArray[np.intp], second: NDArray[np.intp]
) -> NDArray[np.intp]:
    """Give each of `count` items joined in pairs the smallest item of its connected group.

    >>> groups(5, np.array([0, 3]), np.array([1, 4])).tolist()
    [0, 0, 2, 3, 3]
    """
    root = np.arange(count)
    one, other = first, second
    while len(one):
        # The root of one group becomes a member of the other; then all look for their new root.
        np.minimum.at(root, np.maximum(one, other), np.minimum(one, other))
        while not np.array_equal(shorter := root.take(root), root):
            root = shorter
        one, other = root.take(first), root.take(second)
        apart = one != other
        first, second, one, other = first[apart], second[apart], one[apart], other[apart]
    return root


def curved_area(mesh: FacetMesh, pairs: Neighbours) -> float:
    """Give the area of the facets that belong to curved surfaces."""
    bent = (pairs.cosine < FLAT_COSINE) & (pairs.cosine > SMOOTH_COSINE)
    curved = np.zeros(len(mesh.triangles), dtype=bool)
    curved[pairs.first[bent]] = curved[pairs.second[bent]] = True
    return float(mesh.twice_areas[curved].sum() / 2.0)
