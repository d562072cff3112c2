"""Round bars."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.numbers import require_finite


@dataclass(frozen=True)
class RoundBar:
    """Round bar about x with domed (hemispherical) ends and a flat on the inward side.

    Args:
        flat_depth_mm: Depth of the flat below the bar's surface.
    """

    diameter_mm: float
    flat_depth_mm: float

    def __post_init__(self) -> None:
        require_finite(self)
