"""From a rod and its laid-out label to one checked solid."""

from __future__ import annotations

from dataclasses import dataclass

import cadquery as cq
from OCP.BRep import BRep_Builder
from OCP.TopoDS import TopoDS_Face, TopoDS_Shell, TopoDS_Solid

from labkit.core.label.lettering import Engraving
from labkit.core.label.place import label_space
from labkit.core.rod.bodies.flat import SAME_MM
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.rods import NOMINAL, Ball, Compensation, Crosspin, FlatBar, Hand, Rod
from labkit.core.rod.volume import body_volume_mm3, envelope_mm, label_volume_mm3
from labkit.solids.body import Body
from labkit.solids.engrave import face_count, label_faces
from labkit.solids.flat_bar import check_flat_bar, flat_bar
from labkit.solids.guard import Expectation, guarded, volume_near
from labkit.solids.round_bar import check_round_bar, round_bar

#: A piece of a flat bar's outline gives a wall and two quarter rounds.
FACES_PER_PIECE = 3
BORE_FACES = 1
#: Pin, underside of the lip, chamfer, lip, chamfer, end.
CROSSPIN_FACES = 6
#: Bar, flat, and for each end dome, neck and ball.
ROUND_BAR_FACES = 8


@dataclass(frozen=True)
class BuiltRod:
    """One rod as a solid in the rod frame.

    Args:
        volume_mm3: Its volume by the kernel, which met the closed form.
        length_mm: Distance of the fittings' centres, as built.
    """

    shape: cq.Solid
    volume_mm3: float
    length_mm: float


def build(
    rod: Rod, engraving: Engraving | None, compensation: Compensation = NOMINAL
) -> BuiltRod:
    """Build one rod, engraved on its inward face.

    Args:
        rod: Template, length and hand (a template without hand is built inward -y).
        engraving: The nominal label laid out in mm, None for a plain rod.
        compensation: What the process adds to the parameters before building.

    Returns:
        The solid, valid, with the volume, envelope and faces that the arithmetic gives.

    Validity: sizes that make a part; every refusal says which do not.

    Raises:
        GeometryError: Sizes that do not make a part, or a solid that is not what was asked.
    """
    sizes = compensated(rod.template, rod.length, compensation)
    hand = rod.hand if rod.template.handed else Hand.MINUS_Y
    check_sizes(sizes)
    depth = rod.template.label.depth_mm
    volume, center_u = body_volume_mm3(sizes), 0.0
    if engraving is not None:
        volume -= label_volume_mm3(engraving, depth)
        center_u = -hand.inward_y * label_space(rod.template, float(rod.length)).center_x_mm

    def make() -> cq.Solid:
        body = make_body(sizes, hand)
        return _solid([*body.faces, *label_faces(body, engraving, center_u, depth)])

    least, most = volume_near(volume)
    expected = Expectation(least, most, _faces(sizes, engraving), envelope_mm(sizes, hand))
    made = guarded("building the solid", rod.part, make, expected)
    return BuiltRod(made.solid, made.volume_mm3, sizes.length_mm)


def check_sizes(sizes: RodSizes) -> None:
    """Refuse sizes that do not make a part, before any arithmetic is done with them."""
    if isinstance(sizes.body, FlatBar):
        check_flat_bar(sizes.body, sizes)
    else:
        check_round_bar(sizes.body, sizes)


def make_body(sizes: RodSizes, hand: Hand) -> Body:
    """Make the faces of a rod without its label face.

    Args:
        hand: Which way the inward face looks.

    Returns:
        All faces but the one that bears the label, and its boundary.
    """
    if isinstance(sizes.body, FlatBar):
        return flat_bar(sizes.body, sizes, hand)
    return round_bar(sizes.body, sizes, hand)


def _faces(sizes: RodSizes, engraving: Engraving | None) -> int:
    """Count the faces that the rod must have, from its parameters alone."""
    if not isinstance(sizes.body, FlatBar):
        return ROUND_BAR_FACES + face_count(engraving)
    count = 2 + 2 * FACES_PER_PIECE
    for fitting in sizes.fittings:
        assert not isinstance(fitting, Ball)  # refused while building
        blended = fitting.boss_diameter_mm / 2 > sizes.body.height_mm / 2 + SAME_MM
        count += FACES_PER_PIECE * (3 if blended else 1)
        count += CROSSPIN_FACES if isinstance(fitting, Crosspin) else BORE_FACES
    return count + face_count(engraving)


def _solid(faces: list[TopoDS_Face]) -> cq.Solid:
    builder = BRep_Builder()
    shell, solid = TopoDS_Shell(), TopoDS_Solid()
    builder.MakeShell(shell)
    for face in faces:
        builder.Add(shell, face)
    shell.Closed(True)
    builder.MakeSolid(solid)
    builder.Add(solid, shell)
    return cq.Solid(solid)

