"""Crosspins: a pin with a lip on the inward face of a disc boss."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from labkit.core.label.lettering import Arc, Piece
from labkit.core.rod.fittings.base import BossFitting, Mount
from labkit.core.rod.outlines import rectangle
from labkit.errors import GeometryError

#: Part of a crosspin's lip thickness by which both its edges are chamfered.
CHAMFER_PART = 0.25


@dataclass(frozen=True)
class Crosspin(BossFitting):
    """Transverse cylinder, axis y, standing on the inward face of a disc boss, with a lip.

    Args:
        pin_length_mm: From the boss's inward face to the lip.
        lip_diameter_mm: Retaining lip at the free end, wider than the pin.
        lip_thickness_mm: Thickness of the lip; both its edges are chamfered by CHAMFER_PART of it.
        boss_diameter_mm: Disc boss that carries the pin.
        fit: ISO 286 tolerance class of the pin, such as "f7".
    """

    pin_diameter_mm: float
    pin_length_mm: float
    lip_diameter_mm: float
    lip_thickness_mm: float
    boss_diameter_mm: float
    fit: str

    kind = "crosspin"
    noun = "crosspin"
    surface = "pin"
    symbol = "P"
    lipped = True

    @property
    def diameter_mm(self) -> float:
        """Diameter of the pin."""
        return self.pin_diameter_mm

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

    def side_view(self, mount: Mount) -> Iterator[Piece]:
        """Draw pin and lip as circles."""
        for diameter in (self.pin_diameter_mm, self.lip_diameter_mm):
            yield Arc((mount.x_mm, 0.0), diameter / 2, 0.0, 360.0)

    def top_view(self, mount: Mount) -> Iterator[Piece]:
        """Draw pin and lip as rectangles."""
        pin, lip = self.pin_diameter_mm / 2, self.lip_diameter_mm / 2
        x, face = mount.x_mm, -mount.face_mm
        under = face - self.pin_length_mm
        yield from rectangle(x - pin, x + pin, under, face)
        yield from rectangle(x - lip, x + lip, under - self.lip_thickness_mm, under)
