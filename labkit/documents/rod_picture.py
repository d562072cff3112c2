"""One rod as a drawing: what someone sees who looks at its inward face with z up."""

from __future__ import annotations

from collections.abc import Iterable

from labkit.core.label.lettering import Lettering, Piece, Point2
from labkit.core.rod.compensation import nominal_sizes
from labkit.core.rod.curves import box, moved_piece, quarter_turned
from labkit.core.rod.outlines import Loop
from labkit.core.rod.rods import Rod
from labkit.core.rod.views import SeenLabel, faces, front_view
from labkit.documents.drawing import Ink, Pen, Shade


def box_mm(rod: Rod) -> tuple[float, float, float, float]:
    """Give the box of a rod as seen, at nominal size: left, right, bottom, top, mm."""
    return box(front_view(nominal_sizes(rod), rod.hand).visible)


def rod_ink(
    rod: Rod, lettering: Lettering, at: Point2 = (0.0, 0.0), *, upright: bool = False
) -> Ink:
    """Draw a rod with its label: tinted body, edges, engraving in black.

    Args:
        at: Where its middle lies.
        upright: Whether it is turned by a quarter, counter-clockwise.
    """
    def placed(pieces: Iterable[Piece]) -> Loop:
        return tuple(
            moved_piece(quarter_turned(one) if upright else one, 1.0, at) for one in pieces
        )

    ink, sizes = Ink(), nominal_sizes(rod)
    for face in faces(sizes, rod.hand):
        ink.fill(*map(placed, (face.outer, *face.holes)), shade=Shade.TINT)
    view = front_view(sizes, rod.hand)
    # Pins show through their lips, which tells them from bores; fine edges would run together.
    ink.edges(placed(view.visible + view.hidden), Pen.EDGE)
    for loops in SeenLabel.of(rod, lettering).loops():
        ink.fill(*map(placed, loops))
    return ink
