"""The label as it stands in a STEP file: its face and floors, as facets for the label reader."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from labkit.exports.check.stl_reader import FacetMesh

#: Chords on the strokes' round ends: far below a pixel of the label reader.
CHORD_MM = 0.01
TURN_RAD = 0.5
#: A face looks along y when its normal leaves y by less than this sine.
TILT = 1e-6


def facing_facets(faces: list[Any], toward_y: int) -> FacetMesh:
    """Cut the plane faces that look along ±y into facets, counter-clockwise from outside."""
    from OCP.BRep import BRep_Builder
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_ShapeEnum as Kind
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS, TopoDS_Compound

    builder, chosen = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(chosen)
    for face in faces:
        if _looks(face, toward_y):
            builder.Add(chosen, face)
    # A copy takes the facets, so that no later measurement of the solid meets them.
    copy = BRepBuilderAPI_Copy(chosen).Shape()
    BRepMesh_IncrementalMesh(copy, CHORD_MM, False, TURN_RAD, False)
    corners = []
    walk = TopExp_Explorer(copy, Kind.TopAbs_FACE)
    while walk.More():
        corners.append(_corners(TopoDS.Face_s(walk.Current()), toward_y))
        walk.Next()
    points = np.concatenate([np.zeros((0, 3, 3)), *corners]).reshape(-1, 3)
    return FacetMesh(points, np.arange(len(points), dtype=np.int32).reshape(-1, 3))


def _looks(face: Any, toward_y: int) -> bool:
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_SurfaceType
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopoDS import TopoDS

    surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
    if surface.GetType() != GeomAbs_SurfaceType.GeomAbs_Plane:
        return False
    axes = surface.Plane().Position()
    normal = axes.XDirection().Crossed(axes.YDirection())
    sign = -1.0 if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED else 1.0
    return bool(sign * toward_y * normal.Y() > 1.0 - TILT)


def _corners(face: Any, toward_y: int) -> NDArray[np.float64]:
    """Give the facets of one meshed face, turned so that they look along ±y."""
    from OCP.BRep import BRep_Tool
    from OCP.TopLoc import TopLoc_Location

    place = TopLoc_Location()
    facets = BRep_Tool.Triangulation_s(face, place)
    if facets is None:
        return np.zeros((0, 3, 3))
    shift = place.Transformation()
    nodes = [facets.Node(i).Transformed(shift) for i in range(1, facets.NbNodes() + 1)]
    points = np.array([[node.X(), node.Y(), node.Z()] for node in nodes])
    numbers = np.array([facets.Triangle(i).Get() for i in range(1, facets.NbTriangles() + 1)]) - 1
    corners = points[numbers]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 1]
    turned = toward_y * across < 0.0
    corners[turned] = corners[turned][:, ::-1]
    return np.asarray(corners)
