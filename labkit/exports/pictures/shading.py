"""Meshes made ready for looking at: smooth where the rod is, sharp at its edges, label inked."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.rods import Rod

#: Facets that turn by more than this at an edge keep the edge.
SHARP_DEG = 30.0
#: How near to a level a corner must lie to be on it; float32 of an STL is far within.
_LEVEL_MM = 2e-3
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
    facing = cross[:, 2] / np.maximum(np.linalg.norm(cross, axis=1), 1e-12)
    floor = on_floor.all(axis=1) & (facing > 1.0 - _UPRIGHT)
    wall = (on_floor | on_face).all(axis=1) & on_floor.any(axis=1) & (np.abs(facing) < _UPRIGHT)
    engraved: NDArray[np.bool_] = floor | wall
    return engraved


def _with_normals(
    vertices: NDArray[np.float64], triangles: NDArray[np.int32], inked: NDArray[np.bool_]
) -> ShadedMesh:
    from vtkmodules.vtkFiltersCore import vtkPolyDataNormals

    to_numpy = arrays().vtk_to_numpy
    data = poly_data(vertices, triangles)
    ink = arrays().numpy_to_vtk(inked.astype(np.uint8), deep=1)
    ink.SetName("inked")
    data.GetCellData().AddArray(ink)
    work = vtkPolyDataNormals()
    work.SetInputData(data)
    work.SetFeatureAngle(SHARP_DEG)
    work.SplittingOn()
    work.ConsistencyOff()
    work.NonManifoldTraversalOff()
    work.Update()
    made = work.GetOutput()
    corners = to_numpy(made.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    return ShadedMesh(
        vertices=to_numpy(made.GetPoints().GetData()).astype(np.float32),
        normals=to_numpy(made.GetPointData().GetNormals()).astype(np.float32),
        triangles=corners.astype(np.int32),
        inked=to_numpy(made.GetCellData().GetArray("inked")).astype(np.bool_),
    )


def arrays() -> Any:
    """Give the picture library's bridge to numpy, which has no types of its own."""
    return import_module("vtkmodules.util.numpy_support")


def poly_data(vertices: NDArray[Any], triangles: NDArray[np.int32]) -> Any:
    """Give corners and triangles to the picture library."""
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    points, cells, data = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(arrays().numpy_to_vtk(np.ascontiguousarray(vertices, dtype=np.float32), deep=1))
    offsets = np.arange(0, 3 * len(triangles) + 1, 3, dtype=np.int64)
    cells.SetData(
        arrays().numpy_to_vtkIdTypeArray(offsets, deep=1),
        arrays().numpy_to_vtkIdTypeArray(triangles.astype(np.int64).ravel(), deep=1),
    )
    data.SetPoints(points)
    data.SetPolys(cells)
    return data
