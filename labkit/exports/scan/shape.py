"""How far points are from the nominal surface of a template's rods, by closed formulas."""

from __future__ import annotations

import numpy as np

from labkit.core.rod.rods import NOMINAL, RodTemplate
from labkit.exports.expected import Array, CylinderEnd, expected_bar, expected_ends

#: Thickness to either side of the shell from which points are drawn to the surface.
SHELL_MM = 0.3
#: Difference for the direction to the surface.
STEP_MM = 1e-3


class RodShape:
    """The nominal surface of a template at any length; the inward face looks along −y."""

    def __init__(self, template: RodTemplate) -> None:
        self.template = template
        self._bar, self._ends = expected_bar(template), expected_ends(template)

    def distance(self, points: Array, length_mm: float) -> Array:
        """Give the distance (n,), mm, + outside, of points (n, 3), rod frame, from the surface.

        Formula: the least distance of the parts that are joined, the greatest of those that are
        cut: outline and rounded edges, bores, pins, lips; capsule, flat, necks, balls.

        Validity: exact near smooth surfaces, an estimate round edges; without the engraving.
        """
        distance = self._bar.distance(self._ends, points, length_mm)
        for end, sense in zip(self._ends, (-1.0, 1.0), strict=True):
            local = points.copy()
            local[:, 0] = sense * points[:, 0] - length_mm / 2.0
            distance = end.join(distance, local, self._bar.label_level_mm)
        return distance

    def reach(self) -> tuple[float, float]:
        """Give how far a rod reaches beyond its lower and its upper fitting's centre, mm."""
        lower, upper = self._ends
        return lower.reach_mm(NOMINAL), upper.reach_mm(NOMINAL)

    @property
    def half_turns(self) -> tuple[int, ...]:
        """Axes of the rod about which a half turn leaves it as it is, but for its engraving."""
        if self.template.handed:
            return ()
        # A round bar's flat, or what stands out of a face, tells the inward side.
        open_sides = self.plane and not any(end.stands_out_mm for end in self._ends)
        return (1, 0, 2) if open_sides else (1,)

    @property
    def plane(self) -> bool:
        """Whether the bar has plane sides, by which its turn shows."""
        return self._bar.plane

    @property
    def widest_mm(self) -> float:
        """Width of the widest plane or disc of a template's rods."""
        bosses = [end.reach_mm(NOMINAL) for end in self._ends if isinstance(end, CylinderEnd)]
        return max([self._bar.across_mm, *(2.0 * boss for boss in bosses)])


def surface_points(shape: RodShape, length_mm: float, count: int) -> Array:
    """Spread points (n, 3), always the same ones, over the nominal surface, rod frame, mm.

    They tell how much of it a scan shows.
    """
    random = np.random.default_rng(count)
    lower, upper = shape.reach()
    wide = max(lower, upper, 4.0) + 6.0
    low = np.array([-length_mm / 2.0 - lower - 0.3, -wide, -wide])
    high = np.array([length_mm / 2.0 + upper + 0.3, wide, wide])
    points = random.uniform(low, high, (40 * count, 3))
    # Even in a thin shell, so nearly even on the surface.
    points = points[np.abs(shape.distance(points, length_mm)) < SHELL_MM][:count]
    for _ in range(3):
        distance = shape.distance(points, length_mm)
        gradient = np.stack([
            (shape.distance(points + step, length_mm) - distance) / STEP_MM
            for step in STEP_MM * np.eye(3)
        ], axis=1)
        points = points - distance[:, None] * gradient
    return points[np.abs(shape.distance(points, length_mm)) < STEP_MM]
