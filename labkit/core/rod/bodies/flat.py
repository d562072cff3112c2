"""Flat bars with disc bosses, which blend into the bar."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from labkit.core.form.keys import exact, quantity
from labkit.core.label.lettering import Arc, Line, Region
from labkit.core.rod.bodies.base import Bar, Ends
from labkit.core.rod.building import Lowest, Place, Underside, Way
from labkit.core.rod.curves import meetings, share_of
from labkit.core.rod.fittings import BossFitting, Fitting, Mount
from labkit.core.rod.fittings.base import Problem
from labkit.core.rod.outlines import Loop, circle, spandrel
from labkit.core.rod.projected import ProjectedView
from labkit.errors import GeometryError

#: A boss this close to the bar's height counts as equal to it (a plain rounded end).
SAME_MM = 1e-9


@dataclass(frozen=True)
class FlatBar(Bar):
    """Flat bar in the x–z plane, from y = −thickness/2 to + thickness/2."""

    height_mm: Annotated[float, quantity("bar between the fittings", 2, 15)]
    thickness_mm: Annotated[float, quantity("bar and bosses", 1, 10)]
    edge_radius_mm: Annotated[float, quantity("rounding of the outer edges", 0.1, 3)]
    blend_radius_mm: Annotated[float, quantity("arc between boss and bar", 0.2, 20)]

    shape = "flat"
    supportable = (Place.RIM,)

    @property
    def words(self) -> str:
        """Its form and sizes, for people."""
        return (
            f"flat, {self.height_mm:g} high, {self.thickness_mm:g} thick, edges rounded "
            f"{self.edge_radius_mm:g}, blends {self.blend_radius_mm:g}"
        )

    def takes(self, fitting: Fitting) -> bool:
        """Tell whether the fitting has a boss."""
        return isinstance(fitting, BossFitting)

    def check(self, ends: Ends) -> None:
        """Refuse edges, bores and pins that leave no plane face round them."""
        least = min(self.thickness_mm / 2, self.height_mm / 2)
        if not 0.0 < self.edge_radius_mm < least:
            raise GeometryError(
                f"an edge radius of {self.edge_radius_mm:g} mm does not fit a bar of "
                f"{self.height_mm:g} × {self.thickness_mm:g} mm; it must be above 0 and below "
                f"{least:g} mm",
                field="edge_radius", value=self.edge_radius_mm, allowed=f"above 0, below {least:g}",
            )
        for fitting in ends:
            on_boss = _on_boss(fitting)
            inside, boss = 2 * on_boss.foot_mm, on_boss.boss_diameter_mm
            limit = boss - 2 * self.edge_radius_mm
            if not 0.0 < inside < limit:
                raise GeometryError(
                    f"a bore or pin of {inside:g} mm at the face does not fit a boss of {boss:g} "
                    f"mm with edges rounded by {self.edge_radius_mm:g} mm; it must be above 0 and "
                    f"below {limit:g} mm",
                    field="diameter", value=inside, allowed=f"above 0, below {limit:g} mm",
                )
            fitting.check()

    def problems(self) -> Iterator[Problem]:
        """Find edges that leave no flat face."""
        if 2 * self.edge_radius_mm >= min(self.thickness_mm, self.height_mm):
            yield "edge_radius", (
                f"= {exact(self.edge_radius_mm)} must be below half of thickness and of height"
            )

    def end_problems(self, fitting: Fitting) -> Iterator[Problem]:
        """Find a boss that is too small for its bore or pin, or for the bar."""
        if isinstance(fitting, BossFitting):
            boss, edges = exact(fitting.boss_diameter_mm), 2 * exact(self.edge_radius_mm)
            root = exact(fitting.root_mm)
            if boss <= exact(fitting.diameter_mm) + 2 * root + edges:
                yield "boss_diameter", (
                    f"must be above {fitting.surface}_diameter + 2 × edge_radius"
                    + (" + 2 × root_radius" if root else "")
                )
            if fitting.boss_diameter_mm <= self.height_mm:
                yield "boss_diameter", "must be above the bar's height"

    @property
    def plate_mm(self) -> float:
        """Its thickness."""
        return self.thickness_mm

    @property
    def height_across_mm(self) -> float:
        """Its height."""
        return self.height_mm

    @property
    def outward_mm(self) -> float:
        """Half of its thickness."""
        return self.thickness_mm / 2

    @property
    def label_level_mm(self) -> float:
        """Half of its thickness."""
        return self.thickness_mm / 2

    @property
    def label_height_mm(self) -> float:
        """Its height without the rounded edges."""
        return self.height_mm - 2 * self.edge_radius_mm

    @property
    def label_corner_mm(self) -> float:
        """None: the area is a rectangle between bores and pins."""
        return 0.0

    def keep_out_mm(self, fitting: Fitting) -> float:
        """Give the radius of bore or pin, with its fillet."""
        return _on_boss(fitting).foot_mm

    def mounts(self, ends: Ends, length_mm: float) -> tuple[Mount, Mount]:
        """Tell where the bosses end."""
        half, face = length_mm / 2, self.thickness_mm / 2
        lower, upper = (_on_boss(fitting).boss_diameter_mm / 2 for fitting in ends)
        return Mount(-half, face, -half - lower), Mount(half, face, half + upper)

    def bar_mm3(self, ends: Ends, length_mm: float) -> float:
        """Work out the volume of bar and bosses.

        Formula: outline area × thickness − rounded edges (Pappus): both ends up to the blends'
        tangent points, and the straight piece between them.
        """
        volume, straight = 0.0, length_mm
        for fitting in ends:
            reach, end_mm3 = self._end_mm3(_on_boss(fitting).boss_diameter_mm / 2)
            straight -= reach
            volume += end_mm3
        corner, _ = spandrel(self.edge_radius_mm)
        section = self.height_mm * self.thickness_mm - 4 * corner
        return volume + section * straight

    def _end_mm3(self, boss: float) -> tuple[float, float]:
        """Work out reach and volume of one end: boss and two blends."""
        half, blend = self.height_mm / 2, self.blend_radius_mm
        reach = math.sqrt(max(0.0, (boss + blend) ** 2 - (half + blend) ** 2))
        rise = math.atan2(half + blend, reach)
        convex, concave = 2 * math.pi - 2 * rise, math.pi - 2 * rise
        if reach == 0.0:
            convex, concave = math.pi, 0.0
        # Boss sector, then twice the right triangle boss centre - foot - blend centre less the
        # blend's sector in it.
        area = boss**2 * convex / 2 + reach * (half + blend) - blend**2 * concave / 2
        corner, moment = spandrel(self.edge_radius_mm)
        removed = convex * (corner * boss - moment) + concave * (corner * blend + moment)
        return reach, area * self.thickness_mm - 2 * removed

    def blend_reach_mm(self, boss_radius_mm: float) -> float:
        """Work out how far along the bar a boss and its blend arcs reach from the boss's centre.

        Formula: √((R + b)² − (h + b)²), R boss radius, h half of the bar's height, b blend radius:
        the blend's centre lies b above the bar's edge and R + b from the boss's centre.

        Returns:
            Distance in mm along the bar; 0 where boss and bar are equally high.

        Raises:
            GeometryError: The boss is lower than the bar.

        >>> round(FlatBar(6.5, 3.0, 0.5, 3.0).blend_reach_mm(3.75) ** 2, 9)
        6.5
        """
        half = self.height_mm / 2
        if boss_radius_mm < half - SAME_MM:
            raise GeometryError(
                f"a boss of {2 * boss_radius_mm:g} mm diameter is lower than its bar of "
                f"{self.height_mm:g} mm height; give the boss at least the bar's height",
                field="boss_diameter",
                value=2 * boss_radius_mm,
                allowed=f"at least {self.height_mm:g} mm",
            )
        if boss_radius_mm <= half + SAME_MM:
            return 0.0
        blend = self.blend_radius_mm
        return math.sqrt((boss_radius_mm + blend) ** 2 - (half + blend) ** 2)

    def outline(self, ends: Ends, length_mm: float) -> Loop:
        """Draw the outline: boss arcs, bar lines and the blend arcs between them.

        Args:
            ends: The fittings at −length/2 and at +length/2.

        Returns:
            Closed counter-clockwise loop without corners, starting on the lower bar line.

        Validity: the bar keeps a straight piece between the blends.

        Raises:
            GeometryError: A boss is lower than the bar, or the length leaves no straight piece.
        """
        half, center = self.height_mm / 2, length_mm / 2
        left_boss, right_boss = (_on_boss(fitting).boss_diameter_mm / 2 for fitting in ends)
        left = self.blend_reach_mm(left_boss) - center
        right = center - self.blend_reach_mm(right_boss)
        if right - left <= SAME_MM:
            raise GeometryError(
                f"a flat bar with {length_mm:g} mm between its fittings has no straight piece left "
                f"between the bosses' blends; it needs more than "
                f"{length_mm - (right - left):.2f} mm",
                field="length",
                value=length_mm,
            )
        return (
            Line((left, -half), (right, -half)),
            *self._end(right_boss, center),
            Line((right, half), (left, half)),
            *_half_turn(self._end(left_boss, center)),
        )

    def _end(self, boss_radius_mm: float, center_mm: float) -> Loop:
        """Draw the right-hand end, from the lower to the upper bar line."""
        half, blend = self.height_mm / 2, self.blend_radius_mm
        reach = self.blend_reach_mm(boss_radius_mm)
        if reach == 0.0:
            return (Arc((center_mm, 0.0), half, -90.0, 180.0),)
        if blend <= 0:
            raise GeometryError(
                f"a blend radius of {blend:g} mm cannot join a boss to its bar; it must be above 0",
                field="blend_radius", value=blend, allowed="above 0",
            )
        rise = math.degrees(math.atan2(half + blend, reach))
        x = center_mm - reach
        return (
            Arc((x, -half - blend), blend, 90.0, -(90.0 - rise)),
            Arc((center_mm, 0.0), boss_radius_mm, rise - 180.0, 360.0 - 2 * rise),
            Arc((x, half + blend), blend, -rise, -(90.0 - rise)),
        )

    def faces(self, ends: Ends, length_mm: float) -> tuple[Region, ...]:
        """Give the outline with the bores as holes."""
        bores = (
            circle((mount.x_mm, 0.0), fitting.diameter_mm / 2)
            for fitting, mount in self.mounted(ends, length_mm) if fitting.bored
        )
        return (Region(self.outline(ends, length_mm), tuple(bores)),)

    def front_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the outline, then bores, pins and lips; a lip may hide some of its boss."""
        views = [fitting.front_view(mount) for fitting, mount in self.mounted(ends, length_mm)]
        bar = ProjectedView(self.outline(ends, length_mm)).behind(view.cover for view in views)
        return sum(views, bar)

    def top_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the bar as a rounded rectangle, then bores, pins and lips."""
        mounted = list(self.mounted(ends, length_mm))
        (_, left), (_, right) = mounted
        half, edge = self.thickness_mm / 2, self.edge_radius_mm
        view = ProjectedView((
            *(Line((left.end_mm + edge, y), (right.end_mm - edge, y)) for y in (-half, half)),
            *(Line((x, edge - half), (x, half - edge)) for x in (left.end_mm, right.end_mm)),
            *(
                Arc((x, side * (half - edge)), edge, start, turn * side * 90.0)
                for side in (-1.0, 1.0)
                for x, start, turn in (
                    (left.end_mm + edge, 180.0, -1.0), (right.end_mm - edge, 0.0, 1.0)
                )
            ),
        ))
        return sum((fitting.top_view(mount) for fitting, mount in mounted), view)

    def end_view(self, ends: Ends, length_mm: float) -> ProjectedView:
        """Draw the bosses as rounded rectangles, the lower ones hidden behind the near one."""
        half, edge = self.thickness_mm / 2, self.edge_radius_mm
        near, far = (_on_boss(fitting).boss_diameter_mm / 2 for fitting in ends)
        highest = max(near, far) - edge
        view = ProjectedView(tuple(Line((n, -highest), (n, highest)) for n in (-half, half)))
        for reach in dict.fromkeys((near, self.height_mm / 2, far)):
            caps = self._caps(reach)
            in_sight = reach == near or reach > max(near, self.height_mm / 2)
            view += ProjectedView(caps) if in_sight else ProjectedView((), caps)
        (first, here), (last, there) = self.mounted(ends, length_mm)
        in_front = first.end_view(here)
        return view + in_front + last.end_view(there).behind([in_front.cover])

    def _caps(self, reach: float) -> Loop:
        """Draw the upper and lower edge of a rounded rectangle, with its corners."""
        out = self.thickness_mm / 2 - self.edge_radius_mm
        return tuple(
            piece
            for side in (-1.0, 1.0)
            for piece in (
                Line((-out, side * reach), (out, side * reach)),
                Arc((out, side * (reach - self.edge_radius_mm)), self.edge_radius_mm, 0.0,
                    side * 90.0),
                Arc((-out, side * (reach - self.edge_radius_mm)), self.edge_radius_mm, 180.0,
                    side * -90.0),
            )
        )

    def undersides(
        self, way: Way, ends: Ends, length_mm: float, flat_share: float
    ) -> Iterator[Underside]:
        """Give the outward face; of a bar on edge bosses and bar between; upright, both bosses."""
        bosses = tuple(_on_boss(fitting).boss_diameter_mm / 2 for fitting in ends)
        if way is Way.FLAT:
            edge = self.edge_radius_mm * flat_share
            yield Underside(Place.FACE, -self.thickness_mm / 2, Lowest.FACE, edge)
        elif way is Way.ON_EDGE:
            for boss in bosses:
                yield Underside(Place.RIM, -boss, Lowest.LINE, boss * flat_share)
            yield Underside(
                Place.RIM, -self.height_mm / 2, Lowest.FACE, length_mm / 2, carried=True
            )
        else:
            yield from self._upright(bosses, length_mm / 2, flat_share)

    def _upright(
        self, bosses: tuple[float, ...], half_mm: float, flat_share: float
    ) -> Iterator[Underside]:
        """Give the lower boss, and what the upper one with its blends is flatter than allowed.

        Formula: R s − h − b (1 − s), s the flat share, R boss, b blend, h half of the bar's height.
        """
        lower, upper = bosses
        yield Underside(Place.RIM, -half_mm - lower, Lowest.LINE, lower * flat_share)
        blend = self.blend_radius_mm * (1 - flat_share)
        reach = upper * flat_share - self.height_mm / 2 - blend
        if reach > 0.0:
            yield Underside(Place.RIM, half_mm - upper, Lowest.LINE, reach, carried=True)

    def section(self, ends: Ends, length_mm: float, x_mm: float) -> tuple[Loop, float]:
        """Cut across the straight piece of the bar, or across a blend as if it were one."""
        across = Line((x_mm, 0.0), (x_mm, 1.0))
        hits = (
            point for piece in self.outline(ends, length_mm) for point in meetings(across, piece)
            if share_of(piece, point) is not None
        )
        high = max((y for _, y in hits), default=self.height_mm / 2)
        half = high - self.edge_radius_mm
        out = self.thickness_mm / 2
        return (*self._caps(high), Line((-out, -half), (-out, half))), half


def _on_boss(fitting: Fitting) -> BossFitting:
    if not isinstance(fitting, BossFitting):
        raise GeometryError(
            f"a fitting of kind {fitting.kind} does not fit a flat bar; use an eye or a "
            "crosspin, or a round bar"
        )
    return fitting


def _half_turn(loop: Loop) -> Loop:
    return tuple(
        Arc((-a.center[0], -a.center[1]), a.radius, a.start_deg + 180.0, a.sweep_deg)
        for a in loop
        if isinstance(a, Arc)
    )
