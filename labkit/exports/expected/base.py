"""What is to be measured of an end fitting and of a bar: formulas of the measuring side's own."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.fittings import Fitting
from labkit.core.rod.rods import Compensation

Array = NDArray[np.float64]


class ExpectedEnd(ABC):
    """A fitting as surfaces: a kind is a `CylinderEnd` or a `SphereEnd`."""

    #: Whether material is outside of the surface that is measured, as around a bore.
    concave: ClassVar[bool] = False
    #: Number of holes through the part that it makes.
    holes: ClassVar[int] = 0

    fitting: Fitting

    @property
    def noun(self) -> str:
        """The surface that is measured, for people: bore, pin or ball."""
        return self.fitting.surface

    @abstractmethod
    def offset_mm(self, by: Compensation) -> float:
        """Give what the process adds to the diameter of the surface that is measured."""

    @abstractmethod
    def reach_mm(self, by: Compensation) -> float:
        """Give how far it reaches beyond its centre."""

    @property
    def stands_out_mm(self) -> float:
        """How far it stands out of its bar's inward face."""
        return 0.0

    @abstractmethod
    def clear_mm(self, bar_end_mm: float) -> float:
        """Give how far from its centre the outward face is plain bar.

        Args:
            bar_end_mm: How far along the bar its own end is rounded.
        """

    @abstractmethod
    def join(self, distance: Array, local: Array, face_mm: float) -> Array:
        """Cut it out of the bar or join it, in distances from the surface.

        Args:
            distance: Distance of points from the bar, mm, + outside, shape (n,).
            local: The points, x outwards from the fitting's centre, shape (n, 3).
            face_mm: Distance of the bar's inward face from the rod's middle.
        """


class CylinderEnd(ExpectedEnd):
    """A fitting whose measured surface is a cylinder along y."""

    @abstractmethod
    def wall_mm(self, face_mm: float) -> tuple[float, float]:
        """Give where that wall begins and ends along y; the inward face is at −face_mm."""


class SphereEnd(ExpectedEnd):
    """A fitting whose measured surface is a sphere."""

    @property
    @abstractmethod
    def neck_from_mm(self) -> float:
        """Distance from the centre, inwards, at which the sphere ends."""


#: The fittings of a rod, lower and upper.
Ends = tuple[ExpectedEnd, ExpectedEnd]


class ExpectedBar(ABC):
    """A bar as surfaces."""

    #: Whether its outward face is plane.
    plane: ClassVar[bool]

    @property
    @abstractmethod
    def across_mm(self) -> float:
        """Height of the bar between its fittings."""

    @property
    @abstractmethod
    def label_level_mm(self) -> float:
        """How far the label's face lies from the rod's axis."""

    @abstractmethod
    def sides_mm(self, ends: Ends, by: Compensation) -> tuple[float | None, float]:
        """Give how far the part reaches inwards (None where that is open) and outwards."""

    @property
    def end_mm(self) -> float:
        """How far along the bar its own end is rounded."""
        return 0.0

    @abstractmethod
    def outward_half_mm(self, pixel_mm: float) -> float:
        """Give half of the height of the outward face that is looked at in pixels."""

    @abstractmethod
    def outward_mm(self, up_mm: Array) -> Array:
        """Give how far the outward face lies from the rod's middle, at heights."""

    @abstractmethod
    def distance(self, ends: Ends, points: Array, length_mm: float) -> Array:
        """Give the distance of points from bar and bosses, mm, + outside, shape (n,).

        Raises:
            GeometryError: A fitting that does not stand on this bar.
        """


def both(first: Array, second: Array) -> Array:
    """Give the distance from what lies inside of both."""
    outside = np.hypot(np.maximum(first, 0.0), np.maximum(second, 0.0))
    return np.asarray(outside + np.minimum(np.maximum(first, second), 0.0), dtype=np.float64)
