"""Points of a scan for finding the rod: spread by area, without table, clamps and dust."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.exports.expected.base import Array
from labkit.exports.scan.file import ScanMesh

#: Points spread over the whole scan.
SPREAD = 24_000
#: Planes drawn through three points each when looking for the scanner's table.
DRAWS = 400
#: A point this near to a plane lies on it; this near to the table it goes with the table.
ON_PLANE_MM, WITH_TABLE_MM = 0.1, 0.3
#: Share of the points that a table has at least.
LEAST_TABLE = 0.05
#: At most so many planes are taken away (a table, two sides of a holder).
MOST_PLANES = 3
#: A separate piece smaller than this share of the largest is never the rod.
LEAST_PIECE = 0.3
SEED = 20310314


@dataclass(frozen=True, eq=False)
class Cloud:
    """Points that may be the rod.

    Args:
        points: Points spread by area, mm, shape (n, 3).
        pieces: Which separate piece each point belongs to.
    """

    points: Array
    pieces: NDArray[np.intp]
    table: bool

    def candidates(self) -> Iterator[Array]:
        """Yield point sets that may be the rod: everything, then the larger pieces alone."""
        yield self.points
        names, counts = np.unique(self.pieces, return_counts=True)
        order = np.argsort(-counts, kind="stable")
        for index in order[:MOST_PLANES] if len(names) > 1 else ():
            if counts[index] >= LEAST_PIECE * counts[order[0]]:
                yield self.points[self.pieces == names[index]]


def spread_points(mesh: ScanMesh, widest_mm: float) -> Cloud:
    """Spread points over a scan by area and take away planes wider than any rod.

    The points are the same for the same scan.

    Args:
        widest_mm: No face of a rod is wider across than this.
    """
    points, facets = spread(mesh.corners, SPREAD)
    kept = _without_tables(points, widest_mm)
    pieces = _pieces(mesh)[mesh.triangles[facets[kept], 0]]
    return Cloud(points[kept], pieces, table=not kept.all())


def spread(corners: Array, count: int) -> tuple[Array, NDArray[np.intp]]:
    """Spread points over facets (m, 3, 3) by area, in no order, and tell the facet of each.

    The points (count, 3) are the same for the same facets.
    """
    random = np.random.default_rng(SEED)
    crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sums = np.cumsum(np.linalg.norm(crosses, axis=1))
    # One point in each equal share of the area: steadier than independent draws.
    at = (np.arange(count) + random.random(count)) / count * sums[-1]
    facets = np.searchsorted(sums, at).clip(max=len(corners) - 1)
    random.shuffle(facets)
    first, second = random.random((2, count, 1))
    folded = first + second > 1.0
    first, second = np.where(folded, 1.0 - first, first), np.where(folded, 1.0 - second, second)
    chosen = corners[facets]
    points = chosen[:, 0] + first * (chosen[:, 1] - chosen[:, 0]) + second * (
        chosen[:, 2] - chosen[:, 0]
    )
    return points, facets


def _without_tables(points: Array, widest_mm: float) -> NDArray[np.bool_]:
    random = np.random.default_rng(SEED)
    kept = np.ones(len(points), dtype=bool)
    for _ in range(MOST_PLANES):
        left = points[kept]
        if len(left) < 100:
            break
        plane = _widest_plane(left[:1500], random)
        if plane is None:
            break
        normal, level = plane
        near = np.abs(left @ normal - level)
        on_it = left[near < ON_PLANE_MM]
        if len(on_it) < LEAST_TABLE * len(left) or _width(on_it) < widest_mm:
            break
        kept &= np.abs(points @ normal - level) > WITH_TABLE_MM
    return kept


def _widest_plane(points: Array, random: np.random.Generator) -> tuple[Array, float] | None:
    """Find the plane with most points on it, through three of them, then by least squares."""
    draws = random.integers(len(points), size=(DRAWS, 3))
    a, b, c = points[draws[:, 0]], points[draws[:, 1]], points[draws[:, 2]]
    normals = np.cross(b - a, c - a)
    sizes = np.linalg.norm(normals, axis=1)
    firm = sizes > 1e-6
    if not firm.any():
        return None
    normals, a = normals[firm] / sizes[firm][:, None], a[firm]
    levels = np.einsum("ij,ij->i", normals, a)
    counts = (np.abs(points @ normals.T - levels) < 2.0 * ON_PLANE_MM).sum(axis=0)
    best = int(np.argmax(counts))
    normal, level = normals[best], levels[best]
    for _ in range(3):
        on_it = points[np.abs(points @ normal - level) < 2.0 * ON_PLANE_MM]
        middle = on_it.mean(axis=0)
        normal = np.linalg.svd(on_it - middle, full_matrices=False)[2][2]
        level = float(middle @ normal)
    return normal, level


def _width(points: Array) -> float:
    """Give the second extent of points on a plane, without the outermost twentieths."""
    middle = points.mean(axis=0)
    across = np.linalg.svd(points[:3000] - middle, full_matrices=False)[2][1]
    low, high = np.percentile((points - middle) @ across, (5.0, 95.0))
    return float(high - low)


def _pieces(mesh: ScanMesh) -> NDArray[np.intp]:
    """Number the separate pieces of a mesh, for each vertex."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    first = mesh.triangles[:, [0, 1]].ravel()
    second = mesh.triangles[:, [1, 2]].ravel()
    count = len(mesh.vertices)
    links = coo_array((np.ones(len(first), dtype=np.int8), (first, second)), shape=(count, count))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.intp)
