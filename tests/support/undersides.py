"""What of a mesh faces the bed as it lies: from its facets alone, no formula of the program.

An underside is a connected patch of facets that look down and are flatter than an angle. Where it
meets the bed, or facets that lead further down, it is carried; how far it reaches is the level
distance of its farthest point from there. A patch without such a place begins in the air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

#: Corners this low lie on the bed; a mesh has float64 corners on the surfaces themselves.
ON_BED_MM = 1e-6
#: A facet that leads down from an edge does so at least at this slope.
DOWN = 0.01
#: Points at which patches are sampled, mm apart.
SAMPLE_MM = 0.5
#: Distances that are worked out at once: more would not stay in the processor's own memory.
AT_ONCE = 20_000


@dataclass(frozen=True)
class Patch:
    """One underside: its corners in the rod frame, how far it reaches, where it begins."""

    points: np.ndarray
    lowest: np.ndarray
    gap_mm: float
    reach_mm: float
    bed_mm2: float
    begins: bool


def patches(vertices, triangles, rotation, angle_deg) -> list[Patch]:
    """Find every underside of a closed mesh."""
    placed = vertices @ rotation.T
    placed[:, 2] -= placed[:, 2].min()
    corners = placed[triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(normals, axis=1) / 2
    real = areas > 1e-12
    down = np.zeros(len(triangles))
    down[real] = -normals[real, 2] / areas[real] / 2
    flat = down > np.cos(np.radians(angle_deg)) + 1e-6
    beside = _neighbours(triangles)
    return [
        _patch(vertices, placed, triangles, areas, members, beside)
        for members in _connected(flat, beside)
    ]


def _neighbours(triangles) -> np.ndarray:
    """Give the facet at the other side of each edge of each facet, shape (m, 3)."""
    start, end = triangles, np.roll(triangles, -1, axis=1)
    facets = np.repeat(np.arange(len(triangles)), 3)
    owner = dict(zip(zip(start.ravel(), end.ravel(), strict=True), facets, strict=True))
    return np.array([
        owner[b, a] for a, b in zip(start.ravel(), end.ravel(), strict=True)
    ]).reshape(-1, 3)


def _connected(flat, beside) -> list[np.ndarray]:
    rows = np.repeat(np.arange(len(flat)), 3)
    both = flat[rows] & flat[beside.ravel()]
    links = coo_matrix(
        (np.ones(both.sum()), (rows[both], beside.ravel()[both])), shape=(len(flat), len(flat))
    )
    _, names = connected_components(links, directed=False)
    return [np.flatnonzero(flat & (names == name)) for name in np.unique(names[flat])]


def _patch(vertices, placed, triangles, areas, members, beside) -> Patch:
    inside, segments = set(members.tolist()), []
    on_bed = {f for f in members if placed[triangles[f], 2].max() <= ON_BED_MM}
    edges = []
    for facet in set(members) - on_bed:
        for side in range(3):
            ends = placed[[triangles[facet][side], triangles[facet][(side + 1) % 3]]]
            edges.append(ends)
            if ends[:, 2].max() <= ON_BED_MM or (
                beside[facet][side] not in inside
                and _leads_down(ends, placed[triangles[beside[facet][side]]])
            ):
                segments.append(ends[:, :2])
    own = np.unique(triangles[members])
    low = own[np.argmin(placed[own, 2])]
    segments += [placed[[one, one], :2] for one in own if placed[one, 2] <= ON_BED_MM]
    return Patch(
        vertices[own], vertices[low], float(placed[low, 2]),
        _reach(np.array(edges)[:, :, :2], np.array(segments)) if segments else np.inf,
        float(areas[list(on_bed)].sum()), not segments,
    )


def _leads_down(ends, facet) -> bool:
    """Tell whether a facet goes down from one of its edges."""
    along = ends[1] - ends[0]
    length = np.linalg.norm(along)
    if length < 1e-9:
        return False
    away = facet.mean(axis=0) - ends[0]
    away -= along * (away @ along) / length**2
    size = np.linalg.norm(away)
    return bool(size > 1e-9 and away[2] / size < -DOWN)


def _reach(edges, segments) -> float:
    """Give the greatest distance of any point of the edges from the nearest segment, level."""
    points = np.unique(np.round(_along(edges), 2), axis=0)
    start, way = segments[:, 0], segments[:, 1] - segments[:, 0]
    long = np.maximum((way**2).sum(axis=1), 1e-18)
    worst = 0.0
    for some in np.array_split(points, 1 + len(points) * len(segments) // AT_ONCE):
        away = some[:, None] - start
        share = np.clip((away * way).sum(axis=2) / long, 0, 1)
        away -= share[:, :, None] * way
        worst = max(worst, float((away**2).sum(axis=2).min(axis=1).max()))
    return worst**0.5


def _along(edges) -> np.ndarray:
    """Give points along edges, both ends and others at most `SAMPLE_MM` apart."""
    counts = 2 + (np.ptp(edges, axis=1).max(axis=1) / SAMPLE_MM).astype(int)
    which = np.repeat(np.arange(len(edges)), counts)
    first = np.repeat(np.cumsum(counts) - counts, counts)
    share = (np.arange(len(which)) - first) / (counts[which] - 1)
    return edges[which, 0] + share[:, None] * (edges[which, 1] - edges[which, 0])
