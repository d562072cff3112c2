"""Balls as surfaces: a sphere on a neck."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.rod.fittings import Ball
from labkit.core.rod.rods import Compensation
from labkit.exports.expected.base import Array, SphereEnd, both


@dataclass(frozen=True)
class ExpectedBall(SphereEnd):
    """A ball and its neck."""

    fitting: Ball

    def offset_mm(self, by: Compensation) -> float:
        """Give what the process adds to balls."""
        return by.ball_offset_mm

    def reach_mm(self, by: Compensation) -> float:
        """Give the ball's radius as built."""
        return (self.fitting.ball_diameter_mm + by.ball_offset_mm) / 2.0

    def clear_mm(self, bar_end_mm: float) -> float:
        """Give the neck's length and the bar's rounded end."""
        return self.fitting.neck_length_mm + bar_end_mm

    @property
    def neck_from_mm(self) -> float:
        """Where the neck cuts the sphere."""
        ball = self.fitting
        return math.sqrt((ball.ball_diameter_mm / 2.0) ** 2 - (ball.neck_diameter_mm / 2.0) ** 2)

    def join(self, distance: Array, local: Array, face_mm: float) -> Array:
        """Join ball and neck."""
        del face_mm
        one = self.fitting
        ball = np.linalg.norm(local, axis=1) - one.ball_diameter_mm / 2.0
        across = np.hypot(local[:, 1], local[:, 2]) - one.neck_diameter_mm / 2.0
        neck = both(
            across, np.abs(local[:, 0] + one.neck_length_mm / 2.0) - one.neck_length_mm / 2.0
        )
        return np.asarray(np.minimum(distance, np.minimum(ball, neck)), dtype=np.float64)
