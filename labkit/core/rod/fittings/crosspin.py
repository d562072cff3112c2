"""Crosspins: a pin with a lip on the inward face of a disc boss."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Annotated

from labkit.core.form.keys import exact, quantity
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.label.lettering import Arc, Line, Piece, Point2
from labkit.core.numbers import NOISE_MM
from labkit.core.rod.building import Lowest, Place, Underside, Way
from labkit.core.rod.curves import at, mirrored, moved_piece, quarter_turned
from labkit.core.rod.fittings.base import FIT, BossFitting, Mount, Problem, Wall
from labkit.core.rod.outlines import circle, spandrel
from labkit.core.rod.projected import ProjectedView
from labkit.errors import GeometryError

#: Part of a crosspin's lip thickness by which both its edges are rounded; half stays straight.
EDGE_PART = 0.25
#: Greatest part of a crosspin's length that its root may take: the rest is the seat's.
ROOT_PART = 0.25


@dataclass(frozen=True)
class Crosspin(BossFitting):
    """Transverse cylinder, axis y, standing on the inward face of a disc boss, with a lip.

    Both edges of the lip are rounded by EDGE_PART of its thickness; the fit is the pin's. The root
    is sharp only on rods that were recorded before templates told its fillet.
    """

    pin_diameter_mm: Annotated[float, quantity("cylinder", 0.8, 10)]
    pin_length_mm: Annotated[float, quantity("face of the boss to the lip", 0.5, 15)]
    lip_diameter_mm: Annotated[float, quantity("lip", 1, 15)]
    lip_thickness_mm: Annotated[float, quantity("lip", 0.3, 5)]
    boss_diameter_mm: Annotated[float, quantity("disc", 1.6, 20)]
    fit: Annotated[str, FIT]
    root_radius_mm: Annotated[float, quantity(
        "fillet between the cylinder and the boss; the seat's mouth needs as much room", 0.1, 3,
        required=True,
    )] = field(default=0.0, metadata=LEFT_OUT_AT_DEFAULT)

    kind = "crosspin"
    noun = "crosspin"
    surface = "pin"
    symbol = "P"
    look_for = "pins and lips whole"
    lipped = True

    @property
    def diameter_mm(self) -> float:
        """Diameter of the pin."""
        return self.pin_diameter_mm

    @property
    def rest(self) -> str:
        """Its other sizes, for people."""
        return (
            f"{self.pin_length_mm:g} long, root {self.root_radius_mm:g}, lip "
            f"{self.lip_diameter_mm:g} by {self.lip_thickness_mm:g}, boss {self.boss_diameter_mm:g}"
        )

    @property
    def walls(self) -> tuple[Wall, ...]:
        """The pin and its lip."""
        return (
            Wall("pin", "at the crosspin", self.pin_diameter_mm),
            Wall("lip", "at the crosspin's lip", self.lip_thickness_mm),
        )

    def with_diameter(self, diameter_mm: float) -> Crosspin:
        """Give the same crosspin with another pin."""
        return replace(self, pin_diameter_mm=diameter_mm)

    def check(self) -> None:
        """Refuse a lip that is too narrow for the pin and its rounded edges, and a great root."""
        least = self.pin_diameter_mm + 2 * self.edge_mm
        if not 0.0 < self.pin_diameter_mm < self.lip_diameter_mm - 2 * self.edge_mm:
            raise GeometryError(
                f"a lip of {self.lip_diameter_mm:g} mm with edges rounded by {self.edge_mm:g} mm "
                f"does not hold on a pin of {self.pin_diameter_mm:g} mm; it must be wider than "
                f"{least:g} mm",
                field="lip_diameter", value=self.lip_diameter_mm, allowed=f"above {least:g} mm",
            )
        most = min(
            (self.lip_diameter_mm - self.pin_diameter_mm) / 2, ROOT_PART * self.pin_length_mm
        )
        if not 0.0 <= self.root_radius_mm <= most + NOISE_MM:
            raise GeometryError(
                f"a root of {self.root_radius_mm:g} mm does not fit a pin of "
                f"{self.pin_diameter_mm:g} mm, {self.pin_length_mm:g} mm long, with a lip of "
                f"{self.lip_diameter_mm:g} mm; it must be at most {most:g} mm",
                field="root_radius", value=self.root_radius_mm, allowed=f"at most {most:g} mm",
            )

    def problems(self) -> Iterator[Problem]:
        """Find a lip or a root that does not go with the pin, its own edges or the boss."""
        pin, lip, edges = (
            exact(self.pin_diameter_mm), exact(self.lip_diameter_mm), 2 * exact(EDGE_PART)
        )
        if lip <= pin:
            yield "lip_diameter", "must be above pin_diameter"
        elif edges * exact(self.lip_thickness_mm) >= lip - pin:
            yield "lip_thickness", (
                f"= {exact(self.lip_thickness_mm)} leaves no face behind the lip's rounded edges; "
                f"it must be below {(lip - pin) / edges}, or the lip wider"
            )
        if self.lip_diameter_mm > self.boss_diameter_mm:
            yield "lip_diameter", f"= {lip} must not be above boss_diameter"
        root, share = exact(self.root_radius_mm), exact(ROOT_PART) * exact(self.pin_length_mm)
        if pin < lip < pin + 2 * root:
            yield "root_radius", (
                f"= {root} reaches beyond the lip, so that no seat would let both in; it must be "
                f"at most {(lip - pin) / 2}"
            )
        if root > share:
            yield "root_radius", (
                f"= {root} leaves the seat too little of the pin; it must be at most a quarter of "
                f"pin_length = {share}"
            )

    @property
    def reach_mm(self) -> float:
        """Radius of the boss, or of a lip that is wider."""
        return max(self.boss_diameter_mm, self.lip_diameter_mm) / 2

    @property
    def stands_out_mm(self) -> float:
        """Height of pin and lip."""
        return self.pin_length_mm + self.lip_thickness_mm

    @property
    def edge_mm(self) -> float:
        """Rounding of both the lip's edges."""
        return EDGE_PART * self.lip_thickness_mm

    @property
    def root_mm(self) -> float:
        """The fillet's radius."""
        return self.root_radius_mm

    @property
    def overhang_mm(self) -> float:
        """The lip's reach beyond pin and root."""
        return self.lip_diameter_mm / 2 - self.foot_mm

    def added_mm3(self, mount: Mount) -> float:
        """Give the volume of pin and lip.

        Formula: two cylinders − two rounded edges + the root (Pappus).
        """
        del mount  # the same on every boss
        lip, pin = self.lip_diameter_mm / 2, self.pin_diameter_mm / 2
        area, moment = spandrel(self.edge_mm)
        taken = 2 * 2 * math.pi * (lip * area - moment)
        area, moment = spandrel(self.root_radius_mm)
        root = 2 * math.pi * (pin * area + moment)
        cylinders = pin**2 * self.pin_length_mm + lip**2 * self.lip_thickness_mm
        return math.pi * cylinders - taken + root

    def undersides(self, way: Way, mount: Mount, flat_share: float) -> Iterator[Underside]:
        """Give the lip's ring about an upright pin; of a pin that lies, it and its lip."""
        pin, lip = self.pin_diameter_mm / 2, self.lip_diameter_mm / 2
        if way is Way.FLAT:
            height = mount.face_mm + self.pin_length_mm
            yield Underside(Place.PIN, height, Lowest.FACE, lip - pin, carried=True)
            return
        middle = mount.across_mm(way)
        yield Underside(
            Place.PIN, middle - pin, Lowest.LINE, self.stands_out_mm, carried=True
        )
        yield Underside(Place.PIN, middle - lip, Lowest.LINE, lip * flat_share)

    def front_view(self, mount: Mount) -> ProjectedView:
        """Draw the lip, and the pin behind it."""
        lip = circle((mount.x_mm, 0.0), self.lip_diameter_mm / 2)
        pin = circle((mount.x_mm, 0.0), self.pin_diameter_mm / 2)
        return ProjectedView(lip, pin, cover=lip)

    def top_view(self, mount: Mount) -> ProjectedView:
        """Draw pin and lip from the side, standing downwards."""
        return self._profile(
            (mount.x_mm, -mount.face_mm), lambda piece: quarter_turned(mirrored(piece))
        )

    def end_view(self, mount: Mount) -> ProjectedView:
        """Draw pin and lip from the side, standing to the right."""
        return self._profile((mount.face_mm, 0.0), lambda piece: piece)

    def _profile(self, foot: Point2, turned: Callable[[Piece], Piece]) -> ProjectedView:
        """Draw pin and lip from the side.

        Args:
            foot: The middle of the pin where it stands on the face.
            turned: Turns what stands to the right about that point.
        """
        right, left = self._side(1.0), self._side(-1.0)
        tip, under, inner = self.stands_out_mm, self.pin_length_mm, self.lip_diameter_mm / 2
        inner -= self.edge_mm
        ends = tuple(Line((out, -inner), (out, inner)) for out in (tip, under))
        ring = tuple(
            Line((under, side * self.pin_diameter_mm / 2), (under, side * inner))
            for side in (1.0, -1.0)
        )
        base = Line(at(left[0], 0.0), at(right[0], 0.0))
        edges, cover = (
            tuple(moved_piece(turned(piece), 1.0, foot) for piece in pieces)
            for pieces in ((*right, *left, *ends), (*right, *left, ends[0], *ring, base))
        )
        return ProjectedView(edges, cover=cover)

    def _side(self, side: float) -> tuple[Piece, ...]:
        """Draw what bounds it on one side, from its foot to the tip, standing to the right.

        Args:
            side: +1 above its middle, -1 below it.
        """
        pin, lip, edge, root = (
            self.pin_diameter_mm / 2, self.lip_diameter_mm / 2, self.edge_mm, self.root_radius_mm
        )
        low, high = self.pin_length_mm + edge, self.stands_out_mm - edge
        start, turn = 180.0, side * 90.0
        foot = (Arc((root, side * (pin + root)), root, start, turn),) if root else ()
        return (
            *foot,
            Line((root, side * pin), (self.pin_length_mm, side * pin)),
            Arc((low, side * (lip - edge)), edge, start, -turn),
            Line((low, side * lip), (high, side * lip)),
            Arc((high, side * (lip - edge)), edge, turn, -turn),
        )
