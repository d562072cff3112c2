"""The bounding box of a solid that was read back, to the last digits and without a long search."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Cosine beyond which a torus axis counts as parallel to a coordinate axis.
PARALLEL = 1.0 - 1e-12
#: Quarter turns that are tried as the outermost points of a round.
QUARTERS = np.arange(-8, 9) * (np.pi / 2.0)


def bounding_box(faces: list[Any]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Give the low and high corner of the box round some faces, mm.

    Formula: on a torus about a coordinate axis the outermost points lie at the ends of its two
    angles or where an angle points along an axis; on all other faces the kernel searches.

    Validity: the kernel's search takes 0.2 s for the rounds of one rod, hence the formula.
    """
    from OCP.Bnd import Bnd_Box
    from OCP.BRep import BRep_Builder
    from OCP.BRepBndLib import BRepBndLib
    from OCP.TopoDS import TopoDS_Compound

    rest, builder, points = TopoDS_Compound(), BRep_Builder(), []
    builder.MakeCompound(rest)
    for face in faces:
        outermost = _torus_points(face)
        if outermost is None:
            builder.Add(rest, face)
        else:
            points.append(outermost)
    box = Bnd_Box()
    # The plain box is that of the control points and may be wider than the part.
    BRepBndLib.AddOptimal_s(rest, box, False, False)
    corners = [] if box.IsVoid() else [np.array(box.Get()).reshape(2, 3)]
    everything = np.vstack(corners + points)
    low, high = everything.min(axis=0), everything.max(axis=0)
    return tuple(map(float, low)), tuple(map(float, high))


def _torus_points(face: Any) -> NDArray[np.float64] | None:
    """List the points of a torus face that may be outermost; None for any other face."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_SurfaceType
    from OCP.TopoDS import TopoDS

    surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
    if surface.GetType() != GeomAbs_SurfaceType.GeomAbs_Torus:
        return None
    torus = surface.Torus()
    place = torus.Position()
    x, y, z = (_vector(d) for d in (place.XDirection(), place.YDirection(), place.Direction()))
    if float(np.abs(z).max()) < PARALLEL:
        return None
    # Where the torus' own angle points along the two coordinate axes across its axis.
    turn = np.arctan2(y, x)[np.abs(z) < 0.5]
    around = _angles(surface.FirstUParameter(), surface.LastUParameter(), turn)
    tube = _angles(surface.FirstVParameter(), surface.LastVParameter(), np.zeros(1))
    u, v = (grid.ravel()[:, None] for grid in np.meshgrid(around, tube))
    reach = torus.MajorRadius() + torus.MinorRadius() * np.cos(v)
    flat = reach * (np.cos(u) * x + np.sin(u) * y)
    points: NDArray[np.float64] = flat + torus.MinorRadius() * np.sin(v) * z
    return points + _vector(place.Location())


def _angles(first: float, last: float, starts: NDArray[np.float64]) -> NDArray[np.float64]:
    """List both ends of an interval of angles and the quarter turns from `starts` within it."""
    tried = (starts[:, None] + QUARTERS).ravel()
    return np.concatenate([[first, last], tried[(tried > first) & (tried < last)]])


def _vector(direction: Any) -> NDArray[np.float64]:
    return np.array([direction.X(), direction.Y(), direction.Z()])
