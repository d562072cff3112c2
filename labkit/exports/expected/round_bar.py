"""Round bars as surfaces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.rod.fittings import NeckFitting
from labkit.core.rod.rods import Compensation, RoundBar
from labkit.errors import GeometryError
from labkit.exports.expected.base import Array, Ends, ExpectedBar, ExpectedEnd

#: Share of the radius that is looked at from outside: beyond, the surface turns away.
ROUND_SHARE = 0.8


@dataclass(frozen=True)
class ExpectedRoundBar(ExpectedBar):
    """A round bar with domed ends and a flat."""

    bar: RoundBar

    plane = False

    @property
    def across_mm(self) -> float:
        """Its diameter."""
        return self.bar.diameter_mm

    @property
    def label_level_mm(self) -> float:
        """Distance of the flat from the axis."""
        return self.bar.diameter_mm / 2.0 - self.bar.flat_depth_mm

    def sides_mm(self, ends: Ends, by: Compensation) -> tuple[float | None, float]:
        """Give bar or balls; how far the flat runs into the domes decides where inward ends."""
        return None, max(self.bar.diameter_mm / 2.0, *(end.reach_mm(by) for end in ends))

    @property
    def end_mm(self) -> float:
        """Radius of the domes."""
        return self.bar.diameter_mm / 2.0

    def outward_half_mm(self, pixel_mm: float) -> float:
        """Look at the middle of the bar."""
        del pixel_mm
        return ROUND_SHARE * self.bar.diameter_mm / 2.0

    def outward_mm(self, up_mm: Array) -> Array:
        """Give the bar's bulge."""
        return np.asarray(np.sqrt((self.bar.diameter_mm / 2.0) ** 2 - up_mm**2))

    def distance(self, ends: Ends, points: Array, length_mm: float) -> Array:
        """Give the distance from a capsule cut by the flat."""
        radius = self.bar.diameter_mm / 2.0
        low, high = (length_mm / 2.0 - self._neck_mm(end) - radius for end in ends)
        along = points[:, 0] - np.clip(points[:, 0], -low, max(high, -low))
        capsule = np.sqrt(along**2 + points[:, 1] ** 2 + points[:, 2] ** 2) - radius
        flat = -points[:, 1] - (radius - self.bar.flat_depth_mm)
        return np.asarray(np.maximum(capsule, flat), dtype=np.float64)

    def _neck_mm(self, end: ExpectedEnd) -> float:
        if not isinstance(end.fitting, NeckFitting):
            raise GeometryError(f"a {end.noun} does not fit a round bar")
        return end.fitting.neck_length_mm
