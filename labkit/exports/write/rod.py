"""One rod of its template's body: the far end moved, its characters let in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.label.layout import widened
from labkit.core.label.lettering import Engraving, PlacedGlyph
from labkit.core.label.place import centers_u_mm
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.rods import NOMINAL, Compensation, Hand, Rod
from labkit.errors import GeometryError
from labkit.exports.write.body import Body, Flat, areas_mm2
from labkit.exports.write.body_store import kept_body, renew_body
from labkit.exports.write.characters import Character, Cut, counted_text, cut_of
from labkit.exports.write.mesh import Mesh, Numbers, triangulated
from labkit.exports.write.solid_parts import Floats
from labkit.exports.write.step import FIRST, StepHeader, closed, step_file
from labkit.exports.write.step_text import DECIMALS

#: Entities of a character are counted from a multiple of this, so that its text at a place of the
#: label is the same in every rod.
STRIDE = 1000
#: A label face is triangulated whole if its triangles fill it to this.
FILLED_MM2 = 1e-6


@dataclass(frozen=True, eq=False)
class RodShape:
    """One rod as data, to be written as STEP and as a mesh.

    Args:
        cuts: What is engraved, and x of each character's cell's corner.
    """

    body: Body
    length_mm: float
    volume_mm3: float
    cuts: tuple[tuple[Cut, float], ...]

    def step(self, header: StepHeader) -> bytes:
        """Give the bytes of its STEP file, the same for the same rod and header."""
        body = self.body.step
        texts, first = [body.at(self.length_mm)], FIRST + body.count
        faces: list[int] = []
        openings: list[int] = []
        for cut, x in self.cuts:
            first += -first % STRIDE
            text = counted_text(cut, first)
            texts.append(text.at(x))
            faces += text.faces
            openings += text.bounds
            first += text.count
        return step_file(header, [*texts, closed(body, faces, openings)])

    def mesh(self) -> Mesh:
        """Triangulate it: watertight, within the chord error that fittings need.

        Raises:
            GeometryError: The label does not lie within its face.
        """
        points, triangles = [self.body.corners(self.length_mm)], [self.body.triangles]
        facing = [self.body.normals]
        openings: list[Numbers] = []
        count = len(points[0])
        for cut, x in self.cuts:
            points.append(cut.points + np.array((x, 0.0, 0.0)))
            triangles.append(cut.triangles + count)
            facing.append(cut.normals)
            openings += [loop + count for loop in cut.openings]
            count += len(cut.points)
        corners = np.concatenate(points)
        for index, flat in enumerate(self.body.loose, 1):
            more = openings if index == len(self.body.loose) else ()
            found = _filled(flat, corners, more)
            triangles.append(found)
            facing.append(np.broadcast_to(flat.normal, (len(found), 3)))
        return Mesh(corners, np.concatenate(triangles), np.concatenate(facing))


def rod_shape(
    rod: Rod, engraving: Engraving | None, compensation: Compensation = NOMINAL
) -> RodShape:
    """Take a rod from its template's body.

    Args:
        rod: Template, length and hand (a template without hand is built inward -y).
        engraving: The nominal label laid out in mm, with a case mark where the rod has one; None
            for a plain rod.

    Validity: sizes that make a part; every refusal says which do not.

    Raises:
        GeometryError: Sizes that do not make a part, or a body that the kernel does not make as
            asked.
    """
    sizes, hand = _as_built(rod, compensation)
    body = kept_body(sizes, hand)
    if sizes.length_mm <= body.shortest_mm:
        sizes.body.faces(sizes.fittings, sizes.length_mm)  # says what it lacks
    volume = body.volume_at(sizes.length_mm)
    cuts: tuple[tuple[Cut, float], ...] = ()
    if engraving is not None:
        engraving = widened(engraving, compensation.label_stroke_offset_mm)
        depth = _depth(rod, sizes, engraving)
        centers = zip(engraving.texts, centers_u_mm(rod, engraving), strict=True)
        cuts = tuple(
            _placed(glyph, text, center, (sizes.body.label_level_mm, depth, hand))
            for text, center in centers for glyph in text.glyphs
        )
        volume -= math.fsum(cut.volume_mm3 for cut, _ in cuts)
    return RodShape(body, sizes.length_mm, volume, cuts)


def build_anew(rod: Rod, compensation: Compensation) -> None:
    """Have the kernel build anew what a rod is taken from.

    Raises:
        GeometryError: As `rod_shape`.
    """
    renew_body(*_as_built(rod, compensation))


def _as_built(rod: Rod, compensation: Compensation) -> tuple[RodSizes, Hand]:
    sizes = compensated(rod.template, rod.length, compensation)
    return sizes, rod.hand if rod.template.handed else Hand.MINUS_Y


def _depth(rod: Rod, sizes: RodSizes, engraving: Engraving) -> float:
    """Give the label's depth, refusing one that makes no pocket."""
    depth, through = rod.template.label.depth_mm, 2 * sizes.body.label_level_mm
    if not 0.0 < depth < through:
        raise GeometryError(
            f"the label {engraving.text!r} cannot be engraved {depth:g} mm deep; the depth must be "
            f"above 0 and below {through:g} mm",
            field="label.depth", value=depth, allowed=f"above 0, below {through:g} mm",
        )
    return depth


def _placed(
    glyph: PlacedGlyph, text: Engraving, center_u_mm: float, face: tuple[float, float, Hand]
) -> tuple[Cut, float]:
    """Tell a character's pocket from its place along the rod."""
    level, depth, hand = face
    u, v = glyph.corner
    character = Character(glyph.drawn, text.height_mm, round(v, DECIMALS), level, depth, hand)
    return cut_of(character), -hand.inward_y * (center_u_mm + u)


def _filled(flat: Flat, corners: Floats, openings: Sequence[Numbers]) -> Numbers:
    """Triangulate a plane face of a rod.

    Raises:
        GeometryError: Its boundaries cross, or one lies beside the face.
    """
    loops = [corners[loop] @ flat.to_plane for loop in (*flat.loops, *openings)]
    found = triangulated(loops)
    filled = np.abs(areas_mm2(np.concatenate(loops)[found])).sum()
    if abs(filled - sum(map(_enclosed_mm2, loops))) > FILLED_MM2:
        raise GeometryError(
            "the label does not lie within its face; make it smaller, or the rod longer"
        )
    triangles = np.concatenate((*flat.loops, *openings))[found]
    return triangles[:, ::-1] if flat.turned else triangles


def _enclosed_mm2(loop: Floats) -> float:
    x, y = loop.T
    return float(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1]) + x[-1] * y[0] - x[0] * y[-1]) / 2
