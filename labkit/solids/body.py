"""A rod's body as faces, open where the label face belongs, and a fitting's part of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Vertex

from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import Course


@dataclass(frozen=True)
class Body:
    """All faces of a rod but the label face.

    Args:
        faces: Faces, normals out of the material.
        label_height: n of the label face, mm.
        label_boundaries: Its boundary, material on the left: outer course, then holes.
    """

    frame: ReaderFrame
    faces: tuple[TopoDS_Face, ...]
    label_height: float
    label_boundaries: tuple[list[Course], ...]


class Foot(NamedTuple):
    """Where a neck meets the bar's end.

    `vertex` is on the outward side; the circle runs from there, right-handed about the way out of
    the bar.
    """

    vertex: TopoDS_Vertex
    circle: TopoDS_Edge
    radius: float


@dataclass(frozen=True)
class FittingFaces:
    """What one fitting adds to its bar.

    Args:
        inward, outward: Boundaries of the holes that it leaves in the bar's inward and outward
            face, material on the left.
        foot: Where its neck meets the bar's end, None where it stands on a boss.
    """

    faces: tuple[TopoDS_Face, ...]
    inward: tuple[list[Course], ...] = ()
    outward: tuple[list[Course], ...] = ()
    foot: Foot | None = None
