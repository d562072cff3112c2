"""A rod's body as faces, open where the label face belongs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from OCP.TopoDS import TopoDS_Face

from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.rods import Hand
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import Course


@dataclass(frozen=True)
class Body:
    """All faces of a rod but the label face.

    Args:
        frame: Reader's frame.
        faces: Faces, normals out of the material.
        label_height: n of the label face, mm.
        label_boundaries: Its boundary, material on the left: outer course, then holes.
    """

    frame: ReaderFrame
    faces: tuple[TopoDS_Face, ...]
    label_height: float
    label_boundaries: tuple[list[Course], ...]


def facing(sizes: RodSizes, hand: Hand) -> tuple[Any, Any]:
    """Give the fittings as the reader of the inward face sees them.

    Args:
        hand: Which way the inward face looks.

    Returns:
        Left and right fitting.
    """
    if hand is Hand.MINUS_Y:
        return sizes.lower, sizes.upper
    return sizes.upper, sizes.lower
