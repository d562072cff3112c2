"""Balls: a sphere on a neck."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated

from labkit.core.form.keys import quantity
from labkit.core.label.lettering import Arc, Line
from labkit.core.rod.building import Lowest, Place, Underside, Way
from labkit.core.rod.fittings.base import FIT, Mount, NeckFitting, Problem, Wall
from labkit.core.rod.outlines import circle
from labkit.core.rod.projected import ProjectedView
from labkit.errors import GeometryError


@dataclass(frozen=True)
class Ball(NeckFitting):
    """Sphere on a coaxial round neck; the fit is the sphere's."""

    ball_diameter_mm: Annotated[float, quantity("sphere", 1, 12)]
    neck_diameter_mm: Annotated[float, quantity("neck", 0.8, 12)]
    neck_length_mm: Annotated[
        float, quantity("sphere's centre to the apex of the dome", 0.5, 20)
    ]
    fit: Annotated[str, FIT]

    kind = "ball"
    noun = "ball"
    surface = "ball"
    symbol = "B"
    look_for = "balls round and smooth"

    @property
    def diameter_mm(self) -> float:
        """Diameter of the sphere."""
        return self.ball_diameter_mm

    @property
    def rest(self) -> str:
        """Its other sizes, for people."""
        return f"neck {self.neck_diameter_mm:g}, {self.neck_length_mm:g} to the dome"

    @property
    def walls(self) -> tuple[Wall, ...]:
        """The neck."""
        return (Wall("neck", "at the ball's neck", self.neck_diameter_mm),)

    def with_diameter(self, diameter_mm: float) -> Ball:
        """Give the same neck with another sphere."""
        return replace(self, ball_diameter_mm=diameter_mm)

    def check(self) -> None:
        """Refuse a neck that leaves no room between the ball and what it stands on."""
        hidden = self.ball_diameter_mm / 2
        if self.neck_length_mm <= hidden:
            raise GeometryError(
                f"a neck of {self.neck_length_mm:g} mm leaves no room between a ball of "
                f"{self.ball_diameter_mm:g} mm and the bar; it must be longer than {hidden:g} mm",
                field="neck_length", value=self.neck_length_mm, allowed=f"above {hidden:g} mm",
            )

    def problems(self) -> Iterator[Problem]:
        """Find a neck that is too thick or too short for the sphere."""
        if self.neck_diameter_mm >= self.ball_diameter_mm:
            yield "neck_diameter", "must be below ball_diameter"
        if 2 * self.neck_length_mm <= self.ball_diameter_mm:
            yield "neck_length", "must be above half of ball_diameter, or the ball has no neck"

    @property
    def reach_mm(self) -> float:
        """Radius of the sphere."""
        return self.ball_diameter_mm / 2

    @property
    def neck_from_mm(self) -> float:
        """Distance from the sphere's centre at which its neck begins."""
        return math.sqrt((self.ball_diameter_mm / 2) ** 2 - (self.neck_diameter_mm / 2) ** 2)

    def added_mm3(self, mount: Mount) -> float:
        """Give the volume of sphere and neck beyond the bar's end.

        Formula: sphere − cap inside the neck + neck.

        Source: spherical cap π h² (3 r − h) / 3.
        """
        sphere, neck = self.ball_diameter_mm / 2, self.neck_diameter_mm / 2
        begin = self.neck_from_mm
        return (
            4 / 3 * math.pi * sphere**3
            - cap_mm3(sphere, sphere - begin)
            + math.pi * neck**2 * (abs(mount.end_mm - mount.x_mm) - begin)
        )

    def undersides(self, way: Way, mount: Mount, flat_share: float) -> Iterator[Underside]:
        """Give ball and neck of a rod that lies; of an upright one the ball, below or above."""
        ball, neck = self.ball_diameter_mm / 2, self.neck_diameter_mm / 2
        if way is not Way.UPRIGHT:
            free = abs(mount.end_mm - mount.x_mm) - self.neck_from_mm
            yield Underside(Place.BALL, -ball, Lowest.POINT, ball * flat_share)
            yield Underside(Place.NECK, -neck, Lowest.LINE, free / 2, carried=True)
        elif mount.inward > 0.0:
            yield Underside(Place.BALL, mount.x_mm - ball, Lowest.POINT, ball * flat_share)
        elif ball * flat_share > neck:
            below = mount.x_mm - self.neck_from_mm
            yield Underside(
                Place.BALL, below, Lowest.LINE, ball * flat_share - neck, carried=True
            )

    def front_view(self, mount: Mount) -> ProjectedView:
        """Draw the sphere's contour, the neck's sides and both its end circles, edge on."""
        neck, radius = self.neck_diameter_mm / 2, self.ball_diameter_mm / 2
        foot = mount.x_mm + mount.inward * self.neck_from_mm
        gap = math.degrees(math.asin(neck / radius))
        toward = 0.0 if mount.inward > 0 else 180.0
        return ProjectedView((
            Arc((mount.x_mm, 0.0), radius, toward + gap, 360.0 - 2 * gap),
            *(Line((x, -neck), (x, neck)) for x in (foot, mount.end_mm)),
            *(Line((foot, z), (mount.end_mm, z)) for z in (-neck, neck)),
        ))

    def top_view(self, mount: Mount) -> ProjectedView:
        """Draw the same as from the front: it is round about the rod."""
        return self.front_view(mount)

    def end_view(self, mount: Mount) -> ProjectedView:
        """Draw the sphere, and the neck behind it."""
        del mount  # seen along the rod it stands in the middle
        ball = circle((0.0, 0.0), self.ball_diameter_mm / 2)
        return ProjectedView(ball, circle((0.0, 0.0), self.neck_diameter_mm / 2), cover=ball)


def cap_mm3(radius: float, height: float) -> float:
    """Give the volume of a spherical cap."""
    return math.pi * height**2 * (3 * radius - height) / 3
