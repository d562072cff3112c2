"""One rod as a drawing: what someone sees who looks at its inward face with z up."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Arc, Lettering, Line, Piece, Point2
from labkit.core.label.place import label_space
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.curves import box, moved_piece, quarter_turned
from labkit.core.rod.outlines import Loop, rectangle
from labkit.core.rod.rods import NOMINAL, Ball, Eye, FlatBar, Hand, Rod
from labkit.core.rod.views import side_view
from labkit.documents.drawing import Ink, Pen, Shade, circle


def seen(pieces: tuple[Piece, ...], hand: Hand) -> tuple[Piece, ...]:
    """Turn the rod's x–z coordinates into right and up of someone who looks at the inward face.

    Formula: right = −i x, i being the sign of the inward direction along y.

    Args:
        pieces: Lines and arcs, x along the rod, z up.
        hand: Which way the inward face looks.

    Returns:
        The same pieces, mirrored where the viewer stands on +y.
    """
    return pieces if hand.inward_y < 0 else tuple(_mirrored(piece) for piece in pieces)


def lower_is_left(rod: Rod) -> bool:
    """Tell whether the lower fitting is at the reader's left."""
    return rod.hand.inward_y < 0


def box_mm(rod: Rod) -> tuple[float, float, float, float]:
    """Give the box of a rod as seen, at nominal size: left, right, bottom, top, mm."""
    return box(seen(side_view(_sizes(rod)), rod.hand))


def label_right_mm(rod: Rod) -> float:
    """Give how far the label's middle lies to the reader's right of the rod's middle, mm."""
    return -rod.hand.inward_y * label_space(rod.template, float(rod.length)).center_x_mm


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

    ink, sizes = Ink(), _sizes(rod)
    for loops in _body(sizes, rod.hand):
        ink.fill(*map(placed, loops), shade=Shade.TINT)
    ink.edges(placed(seen(side_view(sizes), rod.hand)), Pen.EDGE)
    label = lay_out(lettering, rod.engraving, rod.bar, rod.template.label.height_mm)
    shift = (label_right_mm(rod), 0.0)
    for region in label.regions():
        loops = (region.outer, *region.holes)
        ink.fill(*(placed(moved_piece(one, 1.0, shift) for one in loop) for loop in loops))
    return ink


def _sizes(rod: Rod) -> RodSizes:
    return compensated(rod.template, rod.length, NOMINAL)


def _mirrored(piece: Piece) -> Piece:
    if isinstance(piece, Line):
        return Line((-piece.start[0], piece.start[1]), (-piece.end[0], piece.end[1]))
    center = (-piece.center[0], piece.center[1])
    return Arc(center, piece.radius, 180.0 - piece.start_deg, -piece.sweep_deg)


def _body(sizes: RodSizes, hand: Hand) -> Iterator[tuple[Loop, ...]]:
    """Give the faces to tint, bores left open."""
    ends = [
        (-hand.inward_y * x, fitting)
        for x, fitting in zip((-sizes.length_mm / 2, sizes.length_mm / 2), sizes.fittings,
                              strict=True)
    ]
    if isinstance(sizes.body, FlatBar):
        outline = sizes.body.outline(sizes.fittings, sizes.length_mm)
        bores = [circle((u, 0.0), fitting.diameter_mm / 2) for u, fitting in ends
                 if isinstance(fitting, Eye)]
        yield (seen(outline, hand), *bores)
        return
    radius, domes = sizes.body.diameter_mm / 2, []
    for u, ball in ends:
        assert isinstance(ball, Ball)  # a round bar takes nothing else
        neck = ball.neck_diameter_mm / 2
        # Necks run on under the domes, so that no white seam is left.
        yield (rectangle(min(u, 0.0), max(u, 0.0), -neck, neck),)
        yield (circle((u, 0.0), ball.ball_diameter_mm / 2),)
        domes.append(u - math.copysign(ball.neck_length_mm + radius, u))
        yield (circle((domes[-1], 0.0), radius),)
    yield (rectangle(min(domes), max(domes), -radius, radius),)
