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
        """Give the lip's underside and the root's end."""
        return -face_mm - self.fitting.pin_length_mm, -face_mm - self.fitting.root_radius_mm

    def join(self, distance: Array, local: Array, face_mm: float) -> Array:
        """Join root, pin and lip, whose edges are rounded."""
        pin, edge = self.fitting, self.fitting.edge_mm
        from_face = -local[:, 1] - face_mm
        across = np.hypot(local[:, 0], local[:, 2])
        lip_middle = pin.pin_length_mm + pin.lip_thickness_mm / 2.0
        half = pin.pin_length_mm / 2.0
        stem = both(across - pin.pin_diameter_mm / 2.0, np.abs(from_face - half) - half)
        lip = both(
            across - pin.lip_diameter_mm / 2.0 + edge,
            np.abs(from_face - lip_middle) - pin.lip_thickness_mm / 2.0 + edge,
        ) - edge
        root = pin.root_radius_mm
        to_arc = (pin.pin_diameter_mm / 2.0 + root - across, root - from_face)
        # Between the two circles that the fillet touches; the face and the pin bound it beyond.
        beside = (to_arc[0] > 0.0) & (to_arc[1] > 0.0) & (from_face > -root)
        fillet = np.where(beside, root - np.hypot(*to_arc), np.inf)
        joined = np.minimum(np.minimum(distance, stem), np.minimum(lip, fillet))
        return np.asarray(joined, dtype=np.float64)
