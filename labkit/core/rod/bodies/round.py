"""Round bars with domed ends, on which fittings stand on necks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from labkit.core.form.keys import exact, quantity
from labkit.core.label.lettering import Arc, Line, Piece, Region
from labkit.core.rod.bodies.base import Bar, Ends
from labkit.core.rod.building import Lowest, Place, Underside, Way
from labkit.core.rod.fittings import Fitting, Mount, NeckFitting
from labkit.core.rod.fittings.ball import cap_mm3
from labkit.core.rod.fittings.base import Problem
from labkit.core.rod.outlines import Loop, circle, rectangle
from labkit.core.rod.projected import ProjectedView
from labkit.errors import GeometryError


@dataclass(frozen=True)
class RoundBar(Bar):
    """Round bar about x with domed (hemispherical) ends and a flat on the inward side."""

    diameter_mm: Annotated[float, quantity("bar", 2, 15)]
    flat_depth_mm: Annotated[float, quantity("flat below the bar's surface", 0.1, 5)]

    shape = "round"
    turned = True
    supportable = (Place.SHAFT, Place.NECK)

    @property
    def words(self) -> str:
        """Its form and sizes, for people."""
        return (
            f"round, diameter {self.diameter_mm:g}, domed ends, flat {self.flat_depth_mm:g} deep"
        )

    def takes(self, fitting: Fitting) -> bool:
        """Tell whether the fitting stands on a neck."""
        return isinstance(fitting, NeckFitting)

    def check(self, ends: Ends) -> None:
        """Refuse a flat deeper than the axis, and necks that it or the ball would reach."""
        radius = self.diameter_mm / 2
        if not 0.0 < self.flat_depth_mm < radius:
            raise GeometryError(
                f"a flat {self.flat_depth_mm:g} mm deep does not fit a bar of "
                f"{self.diameter_mm:g} mm; it must be above 0 and below {radius:g} mm",
                field="flat_depth", value=self.flat_depth_mm,
                allowed=f"above 0, below {radius:g} mm",
            )
        for fitting in ends:
            neck, head = _on_neck(fitting).neck_diameter_mm, fitting.diameter_mm
            limit = min(head, self.diameter_mm - 2 * self.flat_depth_mm)
            if not 0.0 < neck < limit:
                raise GeometryError(
                    f"a neck of {neck:g} mm does not fit a {fitting.noun} of {head:g} mm on a bar "
                    f"of {self.diameter_mm:g} mm with a flat {self.flat_depth_mm:g} mm deep; it "
                    f"must be above 0 and below {limit:g} mm",
                    field="neck_diameter", value=neck, allowed=f"above 0, below {limit:g} mm",
                )
            fitting.check()

    def problems(self) -> Iterator[Problem]:
        """Find a flat that reaches the axis."""
        if 2 * self.flat_depth_mm >= self.diameter_mm:
            yield "flat_depth", (
                f"= {exact(self.flat_depth_mm)} must be below half of the diameter"
            )

    def end_problems(self, fitting: Fitting) -> Iterator[Problem]:
        """Find a neck that the flat would cut into."""
        if isinstance(fitting, NeckFitting):
            free = exact(self.diameter_mm) - 2 * exact(self.flat_depth_mm)
            neck = exact(fitting.neck_diameter_mm)
            if neck >= free:
                yield "neck_diameter", (
                    f"= {neck} reaches the flat; it must be below diameter − 2 × flat_depth = "
                    f"{free}, or the flat less deep"
                )

    @property
    def plate_mm(self) -> float:
        """What the flat leaves of its diameter."""
        return self.diameter_mm - self.flat_depth_mm

    @property
    def height_across_mm(self) -> float:
        """Its diameter."""
        return self.diameter_mm

    @property
    def outward_mm(self) -> float:
        """Its radius."""
        return self.diameter_mm / 2

    @property
    def label_level_mm(self) -> float:
        """Distance of the flat from the axis."""
        return self.diameter_mm / 2 - self.flat_depth_mm

    @property
    def label_height_mm(self) -> float:
        """Height of the flat."""
        return 2 * self.half_flat_mm

    @property
    def label_corner_mm(self) -> float:
        """Half of the flat's height: between the domes' centres it is a stadium."""
        return self.half_flat_mm

    @property
    def half_flat_mm(self) -> float:
        """Half of the flat's height.

        Formula: √(r² − (r − f)²), r the bar's radius, f the flat's depth.
        """
        radius = self.diameter_mm / 2
        return math.sqrt(radius**2 - (radius - self.flat_depth_mm) ** 2)

    def keep_out_mm(self, fitting: Fitting) -> float:
        """Give the distance of the dome's centre from the fitting's."""
        return _on_neck(fitting).neck_length_mm + self.diameter_mm / 2

    def dome_centers(self, ends: Ends, length_mm: float) -> tuple[float, float]:
        """Give x of the centres of the lower and the upper dome.

        Raises:
            GeometryError: No straight piece is left between them.
        """
        half, radius = length_mm / 2, self.diameter_mm / 2
        left, right = (half - _on_neck(fitting).neck_length_mm - radius for fitting in ends)
        if left + right <= 0.0:
            raise GeometryError(
                f"a round bar with {length_mm:g} mm between its balls has no straight piece left "
                f"between its domes; it needs more than {length_mm - left - right:.2f} mm",
                field="length", value=length_mm,
            )
        return -left, right

    def mounts(self, ends: Ends, length_mm: float) -> tuple[Mount, Mount]:
        """Tell where the necks meet the domes."""
        left, right = self.dome_centers(ends, length_mm)
        lower, upper = (self._neck_in_dome(fitting) for fitting in ends)
        half, face = length_mm / 2, self.label_level_mm
        return Mount(-half, face, left - lower), Mount(half, face, right + upper)

    def _neck_in_dome(self, fitting: Fitting) -> float:
        """Give the distance from the dome's centre at which the neck meets it."""
        neck = _on_neck(fitting).neck_diameter_mm / 2
        return math.sqrt((self.diameter_mm / 2) ** 2 - neck**2)

    def bar_mm3(self, ends: Ends, length_mm: float) -> float:
        """Work out the volume of bar and domes.

        Formula: cylinder + two domes − their caps inside the necks − flat.

        Source: spherical cap π h² (3 r − h) / 3.
        """
        radius, flat = self.diameter_mm / 2, self.flat_depth_mm
        left, right = self.dome_centers(ends, length_mm)
        domes = sum(
            2 / 3 * math.pi * radius**3 - cap_mm3(radius, radius - self._neck_in_dome(fitting))
            for fitting in ends
        )
        rest = radius - flat
        segment = radius**2 * math.acos(rest / radius) - rest * math.sqrt(radius**2 - rest**2)
        # The flat takes half a spherical cap off each dome: together one whole cap.
        return domes + (math.pi * radius**2 - segment) * (right - left) - cap_mm3(radius, flat)

    def faces(self, ends: Ends, length_mm: float) -> tuple[Region, ...]:
        """Give bar, domes, necks and balls; they reach into one another, without a seam."""
        radius, centers = self.diameter_mm / 2, self.dome_centers(ends, length_mm)
        faces = [rectangle(*centers, -radius, radius)]
        for center, fitting, mount in zip(
            centers, ends, self.mounts(ends, length_mm), strict=True
        ):
            neck = _on_neck(fitting).neck_diameter_mm / 2
            left, right = sorted((mount.x_mm, center))
            faces += [
                circle((center, 0.0), radius), circle((mount.x_mm, 0.0), fitting.reach_mm),
                rectangle(left, right, -neck, neck),
            ]
        return tuple(Region(face, ()) for face in faces)

    def front_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the contour, then the flat's edge."""
        (left, right), width = self.dome_centers(ends, length_mm), self.half_flat_mm
        flat = ProjectedView((
            *(Line((left, z), (right, z)) for z in (-width, width)),
            Arc((left, 0.0), width, 90.0, 180.0), Arc((right, 0.0), width, -90.0, 180.0),
        ))
        for side in (-1.0, 1.0):
            flat += self._contour(ends, length_mm, side, 90.0)
        return sum((one.front_view(mount) for one, mount in self.mounted(ends, length_mm)), flat)

    def top_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the contour, on the inward side up to the flat, which is a line."""
        (left, right), width = self.dome_centers(ends, length_mm), self.half_flat_mm
        level, turn = -self.label_level_mm, math.asin(2 * self.label_level_mm / self.diameter_mm)
        view = self._contour(ends, length_mm, 1.0, 90.0)
        view += self._contour(ends, length_mm, -1.0, math.degrees(turn))
        view += ProjectedView((Line((left - width, level), (right + width, level)),))
        return sum((one.top_view(mount) for one, mount in self.mounted(ends, length_mm)), view)

    def _contour(
        self, ends: Ends, length_mm: float, side: float, until_deg: float
    ) -> ProjectedView:
        """Draw one side of bar and domes.

        Args:
            side: +1 above the middle, -1 below it.
            until_deg: Where the domes' arcs end, from the rod's axis; up to 90, where the bar's
                line begins.
        """
        radius, centers = self.diameter_mm / 2, self.dome_centers(ends, length_mm)
        pieces: list[Piece] = []
        if until_deg == 90.0:
            pieces.append(Line((centers[0], side * radius), (centers[1], side * radius)))
        for center, fitting, away in zip(centers, ends, (180.0, 0.0), strict=True):
            shoulder = math.degrees(math.asin(_on_neck(fitting).neck_diameter_mm / 2 / radius))
            way = side if away == 0.0 else -side
            pieces.append(
                Arc((center, 0.0), radius, away + way * shoulder, way * (until_deg - shoulder))
            )
        return ProjectedView(tuple(pieces))

    def end_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw near ball, bar and far ball, one behind the other."""
        (first, here), (last, there) = self.mounted(ends, length_mm)
        near, (arc, half) = first.end_view(here), self.section(ends, length_mm, 0.0)
        level = self.label_level_mm
        flat = Line((level, -half), (level, half))
        bar = ProjectedView(arc).behind([near.cover])
        # What the near ball hides of the flat would be taken for the label's depth.
        bar += ProjectedView(ProjectedView((flat,)).behind([near.cover]).visible)
        far = last.end_view(there).behind([near.cover, (*arc, flat)])
        return near + bar + far

    def undersides(
        self, way: Way, ends: Ends, length_mm: float, flat_share: float
    ) -> Iterator[Underside]:
        """Give the shaft that lies on its lowest line; of an upright bar the lower dome."""
        radius = self.diameter_mm / 2
        if way is not Way.UPRIGHT:
            yield Underside(Place.SHAFT, -radius, Lowest.LINE, radius * flat_share)
            return
        neck, (lower, _) = _on_neck(ends[0]).neck_diameter_mm / 2, self.mounts(ends, length_mm)
        if radius * flat_share > neck:
            yield Underside(
                Place.SHAFT, lower.end_mm, Lowest.LINE, radius * flat_share - neck, carried=True
            )

    def section(self, ends: Ends, length_mm: float, x_mm: float) -> tuple[Loop, float]:
        """Cut across the bar."""
        del ends, length_mm, x_mm  # the same everywhere between the domes
        radius = self.diameter_mm / 2
        start = math.degrees(math.acos(self.label_level_mm / radius))
        return (Arc((0.0, 0.0), radius, start, 360.0 - 2 * start),), self.half_flat_mm


def _on_neck(fitting: Fitting) -> NeckFitting:
    if not isinstance(fitting, NeckFitting):
        raise GeometryError(
            f"a fitting of kind {fitting.kind} does not fit a round bar; use a ball, or a "
            "flat bar"
        )
    return fitting
