"""Eyes as surfaces: a bore through the part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.rod.fittings import Eye
from labkit.core.rod.rods import Compensation
from labkit.exports.check import limits
from labkit.exports.expected.base import Array, CylinderEnd


@dataclass(frozen=True)
class ExpectedEye(CylinderEnd):
    """A bore, and the boss round it."""

    fitting: Eye

    concave = True
    holes = 1

    def offset_mm(self, by: Compensation) -> float:
        """Give what the process adds to bores."""
        return by.bore_offset_mm

    def reach_mm(self, by: Compensation) -> float:
        """Give the boss's radius, which stays nominal."""
        del by
        return self.fitting.boss_diameter_mm / 2.0

    def clear_mm(self, bar_end_mm: float) -> float:
        """Give the bore's radius: it may be made wider than drawn; its rim is no place to look."""
        return bar_end_mm + self.fitting.bore_diameter_mm / 2.0 * (
            1.0 + limits.FITTING_SEARCH_SHARE
        )

    def wall_mm(self, face_mm: float) -> tuple[float, float]:
        """Give both faces."""
        return -face_mm, face_mm

    def join(self, distance: Array, local: Array, face_mm: float) -> Array:
        """Cut the bore."""
        del face_mm
        bore = self.fitting.bore_diameter_mm / 2.0 - np.hypot(local[:, 0], local[:, 2])
        return np.asarray(np.maximum(distance, bore), dtype=np.float64)
