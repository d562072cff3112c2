"""Crosspins as surfaces: a pin and its lip on the inward face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.rod.fittings import Crosspin
from labkit.core.rod.rods import Compensation
from labkit.exports.expected.base import Array, CylinderEnd, both


@dataclass(frozen=True)
class ExpectedCrosspin(CylinderEnd):
    """A pin with its lip, and the boss below."""

    fitting: Crosspin

    def offset_mm(self, by: Compensation) -> float:
        """Give what the process adds to pins."""
        return by.pin_offset_mm

    def reach_mm(self, by: Compensation) -> float:
        """Give the boss's radius, which stays nominal."""
        del by
        return self.fitting.boss_diameter_mm / 2.0

    @property
    def stands_out_mm(self) -> float:
        """Height of pin and lip, which stay nominal."""
        return self.fitting.pin_length_mm + self.fitting.lip_thickness_mm

    def clear_mm(self, bar_end_mm: float) -> float:
        """Give the whole face: nothing goes through it."""
        return bar_end_mm

    def wall_mm(self, face_mm: float) -> tuple[float, float]:
        """Give the lip's underside and the inward face."""
        return -face_mm - self.fitting.pin_length_mm, -face_mm

    def join(self, distance: Array, local: Array, face_mm: float) -> Array:
        """Join pin and lip."""
        pin = self.fitting
        from_face = -local[:, 1] - face_mm
        across = np.hypot(local[:, 0], local[:, 2])
        lip_middle = pin.pin_length_mm + pin.lip_thickness_mm / 2.0
        half = pin.pin_length_mm / 2.0
        stem = both(across - pin.pin_diameter_mm / 2.0, np.abs(from_face - half) - half)
        lip = both(
            across - pin.lip_diameter_mm / 2.0,
            np.abs(from_face - lip_middle) - pin.lip_thickness_mm / 2.0,
        )
        return np.asarray(np.minimum(distance, np.minimum(stem, lip)), dtype=np.float64)
