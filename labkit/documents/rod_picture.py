"""One rod as a drawing: by its reader, who looks at its inward face, or from above as it lies."""

from __future__ import annotations

from collections.abc import Iterable

from labkit.core.label.lettering import Lettering, Line, Piece, Point2
from labkit.core.rod.building import Way
from labkit.core.rod.compensation import nominal_sizes
from labkit.core.rod.curves import box, mirrored, moved_piece, quarter_turned
from labkit.core.rod.outlines import Loop, rectangle
from labkit.core.rod.rods import Hand, Rod
from labkit.core.rod.views import SeenLabel, faces, facing, front_view, top_view
from labkit.documents.drawing import Ink, Pen, Shade


def box_mm(rod: Rod, way: Way = Way.FLAT) -> tuple[float, float, float, float]:
    """Give the box of a rod as seen, at nominal size: left, right, bottom, top, mm.

    Args:
        way: How it lies, seen from above; flat is also how its reader sees it.
    """
    if way is Way.FLAT:
        return box(front_view(nominal_sizes(rod), rod.hand).visible)
    return box(_from_above(rod, way)[1])


def rod_ink(
    rod: Rod, lettering: Lettering, at: Point2 = (0.0, 0.0), *, upright: bool = False,
    way: Way = Way.FLAT,
) -> Ink:
    """Draw a rod: tinted body, edges, engraving in black where one looks at it.

    Args:
        at: Where its middle lies.
        upright: Whether it is turned by a quarter, counter-clockwise.
        way: How it lies, seen from above; flat is also how its reader sees it.
    """
    def placed(pieces: Iterable[Piece]) -> Loop:
        return tuple(
            moved_piece(quarter_turned(one) if upright else one, 1.0, at) for one in pieces
        )

    ink, sizes = Ink(), nominal_sizes(rod)
    if way is not Way.FLAT:
        tint, edges = _from_above(rod, way)
        ink.fill(placed(tint), shade=Shade.TINT)
        ink.edges(placed(edges), Pen.EDGE)
        return ink
    for face in faces(sizes, rod.hand):
        ink.fill(*map(placed, (face.outer, *face.holes)), shade=Shade.TINT)
    view = front_view(sizes, rod.hand)
    # Pins show through their lips, which tells them from bores; fine edges would run together.
    ink.edges(placed(view.visible + view.hidden), Pen.EDGE)
    for loops in SeenLabel.of(rod, lettering).loops():
        ink.fill(*map(placed, loops))
    return ink


def _from_above(rod: Rod, way: Way) -> tuple[Loop, Loop]:
    """Give a tint within the bar, and the edges in sight, of a rod on edge or upright.

    Returns:
        Both with the bed's X to the right and Y up; the inward side is below.
    """
    sizes, ends = nominal_sizes(rod), facing(nominal_sizes(rod), rod.hand)
    body, out, level = sizes.body, sizes.body.outward_mm, sizes.body.label_level_mm
    if way is Way.ON_EDGE:
        left, right = (
            mount.x_mm + mount.inward * body.keep_out_mm(fitting)
            for fitting, mount in body.mounted(ends, sizes.length_mm)
        )
        return rectangle(left, right, -level, out), top_view(sizes, rod.hand).visible
    # The upper end is at the reader's right where the inward face looks to -y, else at the left.
    from_left = rod.hand is Hand.PLUS_Y
    view = body.end_view(ends if from_left else ends[::-1], sizes.length_mm).visible
    half = body.height_across_mm / 2
    tint = rectangle(-out, level, -half, half)
    if body.turned:
        (arc, *_), flat = body.section(ends, sizes.length_mm, 0.0)
        tint = (arc, Line((level, -flat), (level, flat)))

    def seen(pieces: Loop) -> Loop:
        if from_left:
            return tuple(quarter_turned(quarter_turned(quarter_turned(one))) for one in pieces)
        return tuple(quarter_turned(mirrored(one)) for one in pieces)

    return seen(tint), seen(view)
