"""Triangle meshes of solids: welded, watertight, within the chord error that fittings need."""

from __future__ import annotations

from dataclasses import dataclass

import cadquery as cq
import numpy as np
from numpy.typing import NDArray
from OCP.BRep import BRep_Tool
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from labkit.errors import GeometryError

#: Greatest distance of a facet from the surface on bores, pins and balls (asked for: 0.005 mm).
CHORD_MM = 0.005
#: Greatest turn between neighbouring facets; on radii above 0.2 mm the chord rules, not this.
TURN_RAD = 0.5


#: Points closer than this in every coordinate are one point; the kernel's tolerance is 1e-7 mm.
WELD_MM = 2e-7


@dataclass(frozen=True)
class Mesh:
    """A closed triangle mesh in mm.

    Args:
        vertices: Corners, shape (N, 3), float64.
        triangles: Corner numbers, counter-clockwise seen from outside, shape (M, 3), int32.
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int32]


def mesh_of(shape: cq.Shape, chord_mm: float = CHORD_MM, turn_rad: float = TURN_RAD) -> Mesh:
    """Triangulate a solid.

    Args:
        shape: The solid.
        chord_mm: Greatest distance between facet and surface, mm.
        turn_rad: Greatest turn between neighbouring facets, radians.

    Returns:
        Welded mesh; the solid keeps no triangulation that a later export could pick up.

    Raises:
        GeometryError: A face that could not be triangulated.
    """
    BRepTools.Clean_s(shape.wrapped)
    # The kernel's mesher overshoots its limit on spheres (measured: 0.0057 for 0.005).
    BRepMesh_IncrementalMesh(shape.wrapped, 0.8 * chord_mm, False, turn_rad, False)
    try:
        return _gather(shape)
    finally:
        BRepTools.Clean_s(shape.wrapped)


def _gather(shape: cq.Shape) -> Mesh:
    points: list[tuple[float, float, float]] = []
    corners: list[tuple[int, int, int]] = []
    explorer = TopExp_Explorer(shape.wrapped, TopAbs_FACE)
    while explorer.More():
        face = TopoDS.Face_s(explorer.Current())
        location = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, location)
        if mesh is None or mesh.NbTriangles() == 0:
            raise GeometryError("a face could not be triangulated; the part is not delivered")
        first = len(points) - 1
        points += [_xyz(mesh.Node(index)) for index in range(1, mesh.NbNodes() + 1)]
        flip = face.Orientation() == TopAbs_REVERSED
        for index in range(1, mesh.NbTriangles() + 1):
            a, b, c = mesh.Triangle(index).Get()
            corners.append((first + a, first + c, first + b) if flip
                           else (first + a, first + b, first + c))
        explorer.Next()
    return weld(np.array(points), np.array(corners, dtype=np.int32))


def _xyz(point: object) -> tuple[float, float, float]:
    return point.X(), point.Y(), point.Z()  # type: ignore[attr-defined]


def weld(points: NDArray[np.float64], corners: NDArray[np.int32]) -> Mesh:
    """Join corners that lie in one place.

    Neighbouring faces take the points of a common edge from one polygon, but may place them by
    their own surface: equal points then differ by the kernel's tolerance. Coordinates are
    grouped one by one where sorted neighbours are closer than that, so that no fixed grid line
    can part two equal points. Triangles that shrink to an edge are left out.
    """
    keys = np.stack([_groups(points[:, axis]) for axis in range(3)], axis=1)
    _, first, where = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    triangles = where.reshape(-1)[corners].astype(np.int32)
    a, b, c = triangles.T
    return Mesh(points[first], triangles[(a != b) & (b != c) & (c != a)])


def _groups(values: NDArray[np.float64]) -> NDArray[np.int64]:
    order = np.argsort(values, kind="stable")
    group = np.empty(len(values), dtype=np.int64)
    group[order] = np.concatenate(([0], np.cumsum(np.diff(values[order]) > WELD_MM)))
    return group
