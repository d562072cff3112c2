"""Flat bars as surfaces."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.rod.fittings import BossFitting
from labkit.core.rod.rods import NOMINAL, Compensation, FlatBar
from labkit.errors import GeometryError
from labkit.exports.expected.base import Array, Ends, ExpectedBar, both


@dataclass(frozen=True)
class ExpectedFlatBar(ExpectedBar):
    """A flat bar with its bosses."""

    bar: FlatBar

    plane = True

    @property
    def across_mm(self) -> float:
        """Its height."""
        return self.bar.height_mm

    @property
    def label_level_mm(self) -> float:
        """Half of its thickness."""
        return self.bar.thickness_mm / 2.0

    def sides_mm(self, ends: Ends, by: Compensation) -> tuple[float | None, float]:
        """Give its faces, and what stands out of the inward one."""
        del by
        half = self.bar.thickness_mm / 2.0
        return half + max(end.stands_out_mm for end in ends), half

    def outward_half_mm(self, pixel_mm: float) -> float:
        """Leave the rounded edges out."""
        return self.bar.height_mm / 2.0 - self.bar.edge_radius_mm - pixel_mm

    def outward_mm(self, up_mm: Array) -> Array:
        """Give the plane face."""
        return np.full(up_mm.shape, self.bar.thickness_mm / 2.0)

    def distance(self, ends: Ends, points: Array, length_mm: float) -> Array:
        """Give the distance from outline and rounded edges."""
        edge = self.bar.edge_radius_mm
        outline = self._outline(ends, points, length_mm) + edge
        across = np.abs(points[:, 1]) - self.bar.thickness_mm / 2.0 + edge
        return both(outline, across) - edge

    def _outline(self, ends: Ends, points: Array, length_mm: float) -> Array:
        """Give the distance from the outline in the x–z plane."""
        half, round_mm = self.bar.height_mm / 2.0, self.bar.blend_radius_mm
        x, z = points[:, 0], np.abs(points[:, 2])
        distance = z - half
        for end, sense in zip(ends, (-1.0, 1.0), strict=True):
            if not isinstance(end.fitting, BossFitting):
                raise GeometryError(f"a {end.noun} does not fit a flat bar")
            radius = end.reach_mm(NOMINAL)
            local = sense * x - length_mm / 2.0
            reach = math.sqrt(max(0.0, (radius + round_mm) ** 2 - (half + round_mm) ** 2))
            rise = half + round_mm
            boss = np.hypot(local, z) - radius
            blend = round_mm - np.hypot(local + reach, z - rise)
            on_boss = (local * rise + z * reach > 0.0) if reach else (local > 0.0)
            on_blend = ~on_boss & (local > -reach)
            distance = np.where(on_boss, boss, np.where(on_blend, blend, distance))
        return np.asarray(distance, dtype=np.float64)
