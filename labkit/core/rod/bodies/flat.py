"""Flat bars."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.numbers import require_finite


@dataclass(frozen=True)
class FlatBar:
    """Flat bar in the x–z plane.

    Args:
        height_mm: Along z, between the fittings.
        thickness_mm: Along y, from y = −thickness/2 to + thickness/2.
        edge_radius_mm: Rounding of both faces' outer edges.
        blend_radius_mm: Concave arc between a boss and the bar, in the outline.
    """

    height_mm: float
    thickness_mm: float
    edge_radius_mm: float
    blend_radius_mm: float

    def __post_init__(self) -> None:
        require_finite(self)
