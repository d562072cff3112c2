"""From a rod and its laid-out label to one checked solid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from OCP.BRep import BRep_Builder
from OCP.TopoDS import TopoDS_Face, TopoDS_Shape, TopoDS_Shell, TopoDS_Solid

from labkit.core.label.layout import widened
from labkit.core.label.lettering import Engraving
from labkit.core.label.place import centers_u_mm
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.rods import NOMINAL, Compensation, FlatBar, Hand, Rod, RoundBar
from labkit.core.rod.volume import body_volume_mm3, envelope_mm, label_volume_mm3
from labkit.solids import fittings
from labkit.solids.body import Body
from labkit.solids.engrave import PlacedText, face_count, label_faces
from labkit.solids.flat_bar import flat_bar, flat_bar_faces
from labkit.solids.guard import Expectation, guarded, volume_near
from labkit.solids.round_bar import round_bar, round_bar_faces

if TYPE_CHECKING:
    import cadquery as cq


class BarBuilder(NamedTuple):
    """How a kind of bar is built, and how many faces it must have without its fittings."""

    make: Callable[[Any, RodSizes, Hand], Body]
    faces: Callable[[Any, RodSizes], int]


BUILDERS: dict[str, BarBuilder] = {
    FlatBar.shape: BarBuilder(flat_bar, flat_bar_faces),
    RoundBar.shape: BarBuilder(round_bar, round_bar_faces),
}


@dataclass(frozen=True)
class BuiltRod:
    """One rod as a solid in the rod frame.

    Args:
        volume_mm3: Its volume by the kernel, which met the closed form.
    """

    solid: TopoDS_Shape
    volume_mm3: float
    length_mm: float

    @property
    def shape(self) -> cq.Solid:
        """The solid as CadQuery's, for whoever goes on working with it."""
        import cadquery as cq

        return cq.Solid(self.solid)


def build(
    rod: Rod, engraving: Engraving | None, compensation: Compensation = NOMINAL
) -> BuiltRod:
    """Build one rod, engraved on its inward face.

    Args:
        rod: Template, length and hand (a template without hand is built inward -y).
        engraving: The nominal label laid out in mm, with a case mark where the rod has one; None
            for a plain rod.

    Returns:
        The solid, valid, with the volume, envelope and faces that the arithmetic gives.

    Validity: sizes that make a part; every refusal says which do not.

    Raises:
        GeometryError: Sizes that do not make a part, or a solid that is not what was asked.
    """
    sizes = compensated(rod.template, rod.length, compensation)
    hand = rod.hand if rod.template.handed else Hand.MINUS_Y
    sizes.body.check(sizes.fittings)
    if engraving is not None:
        engraving = widened(engraving, compensation.label_stroke_offset_mm)
    return _built(sizes, hand, _Label.of(rod, engraving), rod.part)


def build_plain(sizes: RodSizes, hand: Hand) -> BuiltRod:
    """Build one rod without a label; its label face is the last one.

    Args:
        hand: Inward -y where both ends are alike.

    Raises:
        GeometryError: As `build`.
    """
    sizes.body.check(sizes.fittings)
    return _built(sizes, hand, _Label(), f"{sizes.length_mm:g}")


class _Label(NamedTuple):
    """What is engraved: its texts where they stand, its depth and its volume."""

    texts: tuple[PlacedText, ...] = ()
    depth_mm: float = 0.0
    volume_mm3: float = 0.0

    @classmethod
    def of(cls, rod: Rod, engraving: Engraving | None) -> _Label:
        if engraving is None:
            return cls()
        depth = rod.template.label.depth_mm
        texts = tuple(zip(engraving.texts, centers_u_mm(rod, engraving), strict=True))
        return cls(texts, depth, label_volume_mm3(engraving, depth))


def _built(sizes: RodSizes, hand: Hand, label: _Label, part: str) -> BuiltRod:
    def make() -> TopoDS_Solid:
        body = BUILDERS[sizes.body.shape].make(sizes.body, sizes, hand)
        return _solid([*body.faces, *label_faces(body, label.texts, label.depth_mm)])

    least, most = volume_near(body_volume_mm3(sizes) - label.volume_mm3)
    expected = Expectation(least, most, _faces(sizes, label.texts), envelope_mm(sizes, hand))
    made = guarded("building the solid", part, make, expected)
    return BuiltRod(made.solid, made.volume_mm3, sizes.length_mm)


def _faces(sizes: RodSizes, texts: tuple[PlacedText, ...]) -> int:
    """Count the faces that the rod must have, from its parameters alone."""
    ends = sum(fittings.BUILDERS[fitting.kind].faces(fitting) for fitting in sizes.fittings)
    return BUILDERS[sizes.body.shape].faces(sizes.body, sizes) + ends + face_count(texts)


def _solid(faces: list[TopoDS_Face]) -> TopoDS_Solid:
    builder = BRep_Builder()
    shell, solid = TopoDS_Shell(), TopoDS_Solid()
    builder.MakeShell(shell)
    for face in faces:
        builder.Add(shell, face)
    shell.Closed(True)
    builder.MakeSolid(solid)
    builder.Add(solid, shell)
    return solid

