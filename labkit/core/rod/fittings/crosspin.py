"""Crosspins: a pin with a lip on the inward face of a disc boss."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated

from labkit.core.form.keys import exact, quantity
from labkit.core.label.lettering import Line, Point2
from labkit.core.rod.fittings.base import FIT, BossFitting, Mount, Problem, Wall
from labkit.core.rod.outlines import circle, polygon
from labkit.core.rod.projected import ProjectedView
from labkit.errors import GeometryError

#: Part of a crosspin's lip thickness by which both its edges are chamfered.
CHAMFER_PART = 0.25


@dataclass(frozen=True)
class Crosspin(BossFitting):
    """Transverse cylinder, axis y, standing on the inward face of a disc boss, with a lip.

    Both edges of the lip are chamfered by CHAMFER_PART of its thickness; the fit is the pin's.
    """

    pin_diameter_mm: Annotated[float, quantity("cylinder", 0.8, 10)]
    pin_length_mm: Annotated[float, quantity("face of the boss to the lip", 0.5, 15)]
    lip_diameter_mm: Annotated[float, quantity("lip", 1, 15)]
    lip_thickness_mm: Annotated[float, quantity("lip", 0.3, 5)]
    boss_diameter_mm: Annotated[float, quantity("disc", 1.6, 20)]
    fit: Annotated[str, FIT]

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
            f"{self.pin_length_mm:g} long, lip {self.lip_diameter_mm:g} by "
            f"{self.lip_thickness_mm:g}, boss {self.boss_diameter_mm:g}"
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
        """Refuse a lip that is too narrow for the pin and its chamfer."""
        least = self.pin_diameter_mm + 2 * self.chamfer_mm
        if not 0.0 < self.pin_diameter_mm / 2 < self.lip_diameter_mm / 2 - self.chamfer_mm:
            raise GeometryError(
                f"a lip of {self.lip_diameter_mm:g} mm with chamfers of {self.chamfer_mm:g} mm "
                f"does not hold on a pin of {self.pin_diameter_mm:g} mm; it must be wider than "
                f"{least:g} mm",
                field="lip_diameter", value=self.lip_diameter_mm, allowed=f"above {least:g} mm",
            )

    def problems(self) -> Iterator[Problem]:
        """Find a lip that does not go with the pin, its own chamfers or the boss."""
        pin, lip, chamfers = (
            exact(self.pin_diameter_mm), exact(self.lip_diameter_mm), 2 * exact(CHAMFER_PART)
        )
        if lip <= pin:
            yield "lip_diameter", "must be above pin_diameter"
        elif chamfers * exact(self.lip_thickness_mm) >= lip - pin:
            yield "lip_thickness", (
                f"= {exact(self.lip_thickness_mm)} leaves no face behind the lip's chamfers; it "
                f"must be below {(lip - pin) / chamfers}, or the lip wider"
            )
        if self.lip_diameter_mm > self.boss_diameter_mm:
            yield "lip_diameter", f"= {lip} must not be above boss_diameter"

    @property
    def reach_mm(self) -> float:
        """Radius of the boss, or of a lip that is wider."""
        return max(self.boss_diameter_mm, self.lip_diameter_mm) / 2

    @property
    def stands_out_mm(self) -> float:
        """Height of pin and lip."""
        return self.pin_length_mm + self.lip_thickness_mm

    @property
    def chamfer_mm(self) -> float:
        """Chamfer of both the lip's edges."""
        return CHAMFER_PART * self.lip_thickness_mm

    def added_mm3(self, mount: Mount) -> float:
        """Give the volume of pin and lip.

        Formula: two cylinders − two chamfer rings (Pappus).
        """
        del mount  # the same on every boss
        lip, chamfer = self.lip_diameter_mm / 2, self.chamfer_mm
        ring = 2 * math.pi * (lip - chamfer / 3) * chamfer**2 / 2
        pin = math.pi * (self.pin_diameter_mm / 2) ** 2 * self.pin_length_mm
        return pin + math.pi * lip**2 * self.lip_thickness_mm - 2 * ring

    def front_view(self, mount: Mount) -> ProjectedView:
        """Draw the lip with its chamfer, and the pin behind it."""
        at, lip = (mount.x_mm, 0.0), circle((mount.x_mm, 0.0), self.lip_diameter_mm / 2)
        inner = circle(at, self.lip_diameter_mm / 2 - self.chamfer_mm)
        return ProjectedView(lip, circle(at, self.pin_diameter_mm / 2), inner, cover=lip)

    def top_view(self, mount: Mount) -> ProjectedView:
        """Draw pin and lip from the side, standing downwards."""
        return self._profile(lambda out, across: (mount.x_mm + across, -mount.face_mm - out))

    def end_view(self, mount: Mount) -> ProjectedView:
        """Draw pin and lip from the side, standing to the right."""
        return self._profile(lambda out, across: (mount.face_mm + out, across))

    def _profile(self, place: Callable[[float, float], Point2]) -> ProjectedView:
        """Draw pin and lip from the side.

        Args:
            place: Place in the view of a point, from its height above the face and its distance
                from the pin's axis.
        """
        pin, lip, under = self.pin_diameter_mm / 2, self.lip_diameter_mm / 2, self.pin_length_mm
        inner, tip = lip - self.chamfer_mm, self.stands_out_mm
        low, high = under + self.chamfer_mm, tip - self.chamfer_mm
        half = ((0.0, pin), (under, pin), (under, inner), (low, lip), (high, lip), (tip, inner))
        upper = [place(out, across) for out, across in half]
        lower = [place(out, -across) for out, across in half]
        sides = [
            Line(a, b) for side in (upper, lower)
            for a, b in ((side[0], side[1]), *pairwise(side[2:]))
        ]
        rims = [Line(a, b) for a, b in zip(lower, upper, strict=True)]
        return ProjectedView(
            (*sides, rims[2], rims[5]), (), (rims[3], rims[4]),
            cover=polygon(*lower, *reversed(upper)),
        )
