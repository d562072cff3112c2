"""Measuring an STL: the fittings by least squares on their facets, closedness, volume, box."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.rods import RodTemplate
from labkit.errors import GeometryError
from labkit.exports.check.facet_groups import (
    SMOOTH_COSINE,
    Neighbours,
    curved_area,
    groups,
    neighbours,
)
from labkit.exports.check.fit import RoundFit, fit_cylinder, fit_sphere
from labkit.exports.check.measured import Ends, Found, Wanted, outermost, wanted_ends
from labkit.exports.check.stl_reader import FacetMesh
from labkit.exports.expected.base import Array

#: Walls of bores and pins look across y to within this sine (they may lean a little).
WALL_SINE = 0.05
#: Fewer facets than these are a piece of engraving, not a bore, pin or ball.
LEAST_WALL_FACETS = 12
LEAST_BALL_FACETS = 60
#: A bore or pin goes all round: no gap between neighbouring vertices is wider.
WIDEST_GAP_RAD = 1.0
#: A surface whose points stray further is none of the wanted shape at all.
SHAPE_SHARE = 0.05
AXIS_Y = (0.0, 1.0, 0.0)

Labels = NDArray[np.intp]


@dataclass(frozen=True)
class MeshMeasure:
    """What an STL file measures.

    Args:
        winding: Neighbouring facets run the same way round.
        volume_mm3: Volume by the facets, negative inside out.
        genus: Number of through holes, −1 where it is no manifold.
        low, high: Corners of the bounding box, mm.
    """

    ends: Ends
    watertight: bool
    winding: bool
    volume_mm3: float
    genus: int
    bodies: int
    curved_area_mm2: float
    low: tuple[float, ...]
    high: tuple[float, ...]
    facets: int

    @property
    def manifold(self) -> bool:
        """Whether it is the surface of a body: closed, one way round, and not pinched together."""
        return self.genus >= 0


def measure_mesh(mesh: FacetMesh, template: RodTemplate) -> MeshMeasure:
    """Measure a mesh that should be a rod of this template; a fitting not found is None.

    Validity: rod frame; fittings within 25 % of the template's diameters.
    """
    pairs = neighbours(mesh)
    closed = pairs.open_edges == 0 and pairs.turned_edges == 0
    ends, bodies = _ends_and_bodies(mesh, pairs, template)
    return MeshMeasure(
        ends=ends,
        watertight=pairs.open_edges == 0, winding=pairs.turned_edges == 0,
        volume_mm3=_volume(mesh),
        genus=_genus(mesh, bodies) if closed else -1, bodies=bodies,
        curved_area_mm2=curved_area(mesh, pairs),
        low=tuple(map(float, mesh.vertices.min(axis=0))),
        high=tuple(map(float, mesh.vertices.max(axis=0))),
        facets=len(mesh.triangles),
    )


def _ends_and_bodies(
    mesh: FacetMesh, pairs: Neighbours, template: RodTemplate
) -> tuple[Ends, int]:
    """Find the fittings, and count what hangs together by its edges, from the same surfaces."""
    lower, upper = wanted_ends(template)
    smooth = pairs.cosine > SMOOTH_COSINE
    labels = groups(len(mesh.triangles), pairs.first[smooth], pairs.second[smooth])
    # Bores and pins are looked for among the same surfaces: those are told apart only once.
    surfaces = {
        sphere: _surfaces(mesh, np.arange(len(labels)), labels, LEAST_BALL_FACETS) if sphere
        else _walls(mesh, pairs, smooth)
        for sphere in sorted({end.sphere for end in (lower, upper)})
    }
    found = [_find(mesh, surfaces[end.sphere], end) for end in (lower, upper)]
    rough = ~smooth
    bodies = groups(len(labels), labels[pairs.first[rough]], labels[pairs.second[rough]])
    itself = np.arange(len(labels))
    count = int(((labels == itself) & (bodies == itself)).sum())
    return Ends(found[0], found[1], lower.sphere and upper.sphere), count


@dataclass(frozen=True, eq=False)
class _Surface:
    """A smooth surface of a mesh: its facets, and its points, shape (n, 3)."""

    facets: Labels
    points: Array


def _walls(mesh: FacetMesh, pairs: Neighbours, smooth: NDArray[np.bool_]) -> list[_Surface]:
    """Tell the smooth surfaces apart that stand across y."""
    taken = np.abs(mesh.normals[:, 1]) < WALL_SINE
    both = smooth & taken[pairs.first] & taken[pairs.second]
    number = np.cumsum(taken) - 1
    facets = np.flatnonzero(taken)
    labels = groups(len(facets), number[pairs.first[both]], number[pairs.second[both]])
    return _surfaces(mesh, facets, labels, LEAST_WALL_FACETS)


def _surfaces(mesh: FacetMesh, facets: Labels, labels: Labels, least: int) -> list[_Surface]:
    """List the surfaces that have enough facets."""
    found = []
    for label in np.flatnonzero(np.bincount(labels, minlength=1) >= least):
        members = facets[labels == label]
        on_it = np.zeros(len(mesh.vertices), dtype=bool)
        on_it[mesh.triangles[members]] = True
        found.append(_Surface(members, mesh.vertices[on_it]))
    return found


def _find(mesh: FacetMesh, surfaces: list[_Surface], wanted: Wanted) -> Found | None:
    found = (_measured(mesh, one, wanted) for one in surfaces if _is_likely(one, wanted))
    return outermost(wanted, [one for one in found if one is not None])


def _is_likely(surface: _Surface, wanted: Wanted) -> bool:
    """Say whether the box across the axis is about as wide as the wanted fitting."""
    low, high = surface.points.min(axis=0), surface.points.max(axis=0)
    across = (1, 2) if wanted.sphere else (0, 2)
    wide = all(wanted.may_be(float(high[axis] - low[axis])) for axis in across)
    return wide and wanted.sense * float(low[0] + high[0]) > 0.0


def _measured(mesh: FacetMesh, surface: _Surface, wanted: Wanted) -> Found | None:
    points, members, ball = surface.points, surface.facets, wanted.sphere
    try:
        fit = fit_sphere(points) if ball else fit_cylinder(points, AXIS_Y)
    except GeometryError:  # a flat or ragged group: not what was looked for
        return None
    if fit.form_mm > SHAPE_SHARE * fit.radius_mm:
        return None
    outward = _from_axis(mesh.corners_of(members).transpose(1, 2, 0), fit)
    leaning = outward.sum(axis=0) * mesh.crosses.T.take(members, axis=1)
    if (float(leaning.sum()) < 0.0) != wanted.surface.concave:
        return None
    if not ball and _widest_gap(points, fit) > WIDEST_GAP_RAD:
        return None
    x, y, z = fit.center
    tilt = 0.0 if ball else float(np.hypot(fit.axis[0], fit.axis[2]))
    return Found((x, y, z), 2.0 * fit.radius_mm, tilt, fit.form_mm, _chord(outward, fit))


def _from_axis(points: Array, fit: RoundFit) -> Array:
    """Give the vectors from a cylinder's axis, or a sphere's centre, to points, shape (…, 3, n)."""
    offset: Array = points - np.array(fit.center)[:, None]
    if not fit.axis:
        return offset
    axis = np.array(fit.axis)
    along: Array = (axis @ offset)[..., None, :] * axis[:, None]
    return offset - along


def _widest_gap(points: Array, fit: RoundFit) -> float:
    x, _, z = _from_axis(points.T, fit)
    angles = np.sort(np.arctan2(z, x))
    return float(np.diff(np.append(angles, angles[0] + 2.0 * np.pi)).max())


def _chord(outward: Array, fit: RoundFit) -> float:
    """Give how far inside the surface the middle of a facet's edge lies at most.

    Args:
        outward: From the axis or centre to the corners of facets, shape (3, 3, n).
    """
    middles = (outward + np.roll(outward, -1, axis=0)) / 2.0
    return fit.radius_mm - float(np.sqrt((middles**2).sum(axis=1).min()))


def _genus(mesh: FacetMesh, bodies: int) -> int:
    """Count the holes through a closed mesh.

    Formula: vertices − edges + facets = 2 (bodies − holes), three edges for two facets.

    Source: Euler and Poincaré.
    """
    corners = np.zeros(len(mesh.vertices), dtype=bool)
    corners[mesh.triangles] = True
    euler = int(corners.sum()) - len(mesh.triangles) // 2
    # Bodies that meet in a corner make an odd number, which no hole explains.
    return bodies - euler // 2 if euler % 2 == 0 else -1


def _volume(mesh: FacetMesh) -> float:
    """Add up the tetrahedra between the facets and the origin."""
    return float((mesh.corners[:, 0] * mesh.crosses).sum() / 6.0)
