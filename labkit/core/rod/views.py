"""Two views of a rod as lines and arcs: from the side (x right, z up) and from above (x, y)."""

from __future__ import annotations

from labkit.core.label.lettering import Piece
from labkit.core.rod.compensation import RodSizes


def side_view(sizes: RodSizes) -> tuple[Piece, ...]:
    """Draw a rod's visible edges as seen from its inward side, without the label.

    Returns:
        Lines and arcs, x along the rod from the lower to the upper fitting, z up.

    Raises:
        GeometryError: The sizes leave no bar between the fittings.
    """
    return tuple(sizes.body.side_view(sizes.fittings, sizes.length_mm))


def top_view(sizes: RodSizes) -> tuple[Piece, ...]:
    """Draw a rod's outline as seen from above, the inward side downwards.

    Returns:
        Lines and arcs, x along the rod, the inward side towards negative.
    """
    return tuple(sizes.body.top_view(sizes.fittings, sizes.length_mm))
