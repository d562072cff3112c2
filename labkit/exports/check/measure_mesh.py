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
        manifold: Status of manifold3d, "NoError" for a closed oriented body.
        genus: Number of through holes (manifold3d), −1 where it is no manifold.
        low, high: Corners of the bounding box, mm.
    """

    ends: Ends
    watertight: bool
    winding: bool
    volume_mm3: float
    manifold: str
    genus: int
    bodies: int
    curved_area_mm2: float
    low: tuple[float, ...]
    high: tuple[float, ...]
    facets: int


def measure_mesh(mesh: FacetMesh, template: RodTemplate) -> MeshMeasure:
    """Measure a mesh that should be a rod of this template; a fitting not found is None.

    Validity: rod frame; fittings within 25 % of the template's diameters.
    """
    pairs = neighbours(mesh)
    status, genus = _manifold_says(mesh)
    return MeshMeasure(
        ends=find_ends(mesh, pairs, template),
        watertight=pairs.open_edges == 0, winding=pairs.turned_edges == 0,
        volume_mm3=_volume(mesh),
        manifold=status, genus=genus, bodies=_bodies(mesh),
        curved_area_mm2=curved_area(mesh, pairs),
        low=tuple(map(float, mesh.vertices.min(axis=0))),
        high=tuple(map(float, mesh.vertices.max(axis=0))),
        facets=len(mesh.triangles),
    )


def find_ends(mesh: FacetMesh, pairs: Neighbours, template: RodTemplate) -> Ends:
    """Find both fittings of a mesh in the rod frame by its surfaces; None where not found."""
    lower, upper = wanted_ends(template)
    balls = lower.sphere and upper.sphere
    # Bores and pins are looked for among the same surfaces: those are told apart only once.
    surfaces = {
        sphere: _surfaces(mesh, pairs, sphere)
        for sphere in sorted({end.sphere for end in (lower, upper)})
    }
    found = [_find(mesh, *surfaces[end.sphere], end) for end in (lower, upper)]
    return Ends(found[0], found[1], balls)


def _surfaces(mesh: FacetMesh, pairs: Neighbours, ball: bool) -> tuple[Labels, NDArray[np.bool_]]:
    """Number the smooth surfaces: all of them for balls, else those that stand across y."""
    smooth = pairs.cosine > SMOOTH_COSINE
    if ball:
        taken = np.ones(len(mesh.triangles), dtype=bool)
    else:
        taken = np.abs(mesh.normals[:, 1]) < WALL_SINE
        smooth = smooth & taken[pairs.first] & taken[pairs.second]
    return groups(len(mesh.triangles), pairs.first[smooth], pairs.second[smooth]), taken


def _find(
    mesh: FacetMesh, labels: Labels, taken: NDArray[np.bool_], wanted: Wanted
) -> Found | None:
    candidates = []
    for label in _likely(mesh, labels, taken, wanted):
        found = _measure_group(mesh, labels == label, wanted)
        if found is not None:
            candidates.append(found)
    return outermost(wanted, candidates)


def _likely(mesh: FacetMesh, labels: Labels, taken: NDArray[np.bool_], wanted: Wanted) -> list[int]:
    """Name the groups whose box across the axis is about as wide as the wanted fitting."""
    least = LEAST_BALL_FACETS if wanted.sphere else LEAST_WALL_FACETS
    sizes = np.bincount(labels[taken], minlength=len(labels))
    likely = []
    for label in np.flatnonzero(sizes >= least):
        corners = mesh.corners[(labels == label) & taken].reshape(-1, 3)
        spread = np.ptp(corners, axis=0)
        if wanted.sphere:
            wide = bool(wanted.may_be(float(spread[1])) and wanted.may_be(float(spread[2])))
        else:
            wide = bool(wanted.may_be(float(spread[0])) and wanted.may_be(float(spread[2])))
        if wide and wanted.sense * float(corners[:, 0].mean()) > 0.0:
            likely.append(int(label))
    return likely


def _measure_group(mesh: FacetMesh, members: NDArray[np.bool_], wanted: Wanted) -> Found | None:
    triangles = mesh.triangles[members]
    points = mesh.vertices[np.unique(triangles)]
    ball = wanted.sphere
    try:
        fit = fit_sphere(points) if ball else fit_cylinder(points, AXIS_Y)
    except GeometryError:  # a flat or ragged group: not what was looked for
        return None
    if fit.form_mm > SHAPE_SHARE * fit.radius_mm:
        return None
    corners = mesh.vertices[triangles]
    if _concave(corners, mesh.crosses[members], fit) != wanted.surface.concave:
        return None
    if not ball and _widest_gap(points, fit) > WIDEST_GAP_RAD:
        return None
    x, y, z = fit.center
    tilt = 0.0 if ball else float(np.hypot(fit.axis[0], fit.axis[2]))
    return Found((x, y, z), 2.0 * fit.radius_mm, tilt, fit.form_mm, _chord(corners, fit))


def _from_axis(points: Array, fit: RoundFit) -> Array:
    """Give the vectors from a cylinder's axis, or a sphere's centre, to points."""
    offset: Array = points - np.asarray(fit.center)
    if not fit.axis:
        return offset
    axis = np.asarray(fit.axis)
    along: Array = (offset @ axis)[..., None] * axis
    return offset - along


def _concave(corners: Array, crosses: Array, fit: RoundFit) -> bool:
    outward = _from_axis(corners.mean(axis=1), fit)
    return float((outward * crosses).sum()) < 0.0


def _widest_gap(points: Array, fit: RoundFit) -> float:
    outward = _from_axis(points, fit)
    angles = np.sort(np.arctan2(outward[:, 2], outward[:, 0]))
    return float(np.diff(np.append(angles, angles[0] + 2.0 * np.pi)).max())


def _chord(corners: Array, fit: RoundFit) -> float:
    middles = (corners + np.roll(corners, 1, axis=1)) / 2.0
    return float(fit.radius_mm - np.linalg.norm(_from_axis(middles, fit), axis=2).min())


def _bodies(mesh: FacetMesh) -> int:
    first, second, third = mesh.triangles.T.astype(np.intp)
    used = np.unique(mesh.triangles)
    labels = groups(
        len(mesh.vertices), np.concatenate([first, second]), np.concatenate([second, third])
    )
    return len(np.unique(labels[used]))


def _volume(mesh: FacetMesh) -> float:
    """Add up the tetrahedra between the facets and the origin."""
    return float(np.einsum("ij,ij->", mesh.corners[:, 0], mesh.crosses) / 6.0)


def _manifold_says(mesh: FacetMesh) -> tuple[str, int]:
    import manifold3d

    body = manifold3d.Manifold(
        manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32))
    )
    status = str(body.status()).rsplit(".", maxsplit=1)[-1]
    return status, int(body.genus()) if status == "NoError" else -1


