"""Engraving: pockets let into the label face without a boolean, sharing its edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from OCP.TopoDS import TopoDS_Face

from labkit.core.label.lettering import Engraving, Point2, Region
from labkit.core.rod.curves import moved_piece
from labkit.core.rod.outlines import Loop, require_closed, turned
from labkit.errors import GeometryError
from labkit.solids.body import Body
from labkit.solids.topology import Course, Ring, flat_face, ring, walls


@dataclass(frozen=True)
class Pockets:
    """What an engraving puts in place of the plain label face.

    Args:
        openings: Boundaries of the holes in the label face.
        faces: Walls, floors and islands.
    """

    openings: tuple[list[Course], ...]
    faces: tuple[TopoDS_Face, ...]


#: A laid-out text in the reader's coordinates, and u of its middle, mm.
PlacedText = tuple[Engraving, float]


def label_faces(body: Body, texts: Sequence[PlacedText], depth_mm: float) -> list[TopoDS_Face]:
    """Make the label face of a body, engraved or plain.

    Args:
        body: The body, open where the label face belongs.
        texts: What is engraved; empty for a plain face.
        depth_mm: Depth of the pockets, mm, above 0.

    Raises:
        GeometryError: A depth that is not above 0, or a character whose outline is not closed.
    """
    pockets: list[Pockets] = []
    for text, center_u in texts:
        if depth_mm <= 0.0:
            raise GeometryError(
                f"the label {text.text!r} cannot be engraved {depth_mm:g} mm deep; the depth "
                "must be above 0",
                field="label.depth", value=depth_mm, allowed="above 0",
            )
        for region in text.regions():
            placed = _moved(region, (center_u, 0.0))
            require_closed(placed.outer, f"the label {text.text!r}")
            pockets.append(_pocket(body, placed, depth_mm))
    openings = [opening for pocket in pockets for opening in pocket.openings]
    face = flat_face(body.frame, body.label_height, True, [*body.label_boundaries, *openings])
    return [face, *(one for pocket in pockets for one in pocket.faces)]


def face_count(texts: Sequence[PlacedText]) -> int:
    """Count the faces that engraving adds: walls, floors and islands."""
    return sum(
        len(region.outer) + 1 + sum(len(hole) + 1 for hole in region.holes)
        for text, _ in texts for region in text.regions()
    )


def _pocket(body: Body, region: Region, depth_mm: float) -> Pockets:
    """Let one region into the label face.

    Loops are turned so that the material is on their left, as everywhere else: the outer loop
    then runs clockwise, an island counter-clockwise.
    """
    frame, top = body.frame, body.label_height
    outer, *islands = [turned(loop) for loop in (region.outer, *region.holes)]
    faces: list[TopoDS_Face] = []
    floor_edges: list[list[Course]] = []
    opening: Ring | None = None
    for loop in (outer, *islands):
        low, high = ring(frame, loop, top - depth_mm), ring(frame, loop, top)
        faces += walls(frame, low, high)
        floor_edges.append(low.courses(False))
        if opening is None:
            opening = high
        else:
            faces.append(flat_face(frame, top, True, [high.courses(True)]))
    faces.append(flat_face(frame, top - depth_mm, True, floor_edges))
    assert opening is not None
    return Pockets((opening.courses(True),), tuple(faces))


def _moved(region: Region, by: Point2) -> Region:
    return Region(_moved_loop(region.outer, by), tuple(_moved_loop(h, by) for h in region.holes))


def _moved_loop(loop: Loop, by: Point2) -> Loop:
    return tuple(moved_piece(piece, 1.0, by) for piece in loop)
