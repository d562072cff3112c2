"""One rod as a drawing: what someone sees who looks at its inward face with z up."""

from __future__ import annotations

from collections.abc import Iterator

from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Arc, Lettering, Line, Piece
from labkit.core.label.place import label_space
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.curves import box
from labkit.core.rod.rods import (
    NOMINAL,
    Ball,
    Eye,
    FlatBar,
    Hand,
    Rod,
    RoundBar,
)
from labkit.core.rod.views import side_view
from labkit.documents import svg

_EDGE_MM = 0.18


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


def draw_rod(rod: Rod, lettering: Lettering) -> list[str]:
    """Draw a rod with its label, its middle at the origin.

    Returns:
        SVG elements in mm: tinted body, edges, engraving in black.
    """
    sizes = _sizes(rod)
    label = lay_out(lettering, rod.engraving, rod.bar, rod.template.label.height_mm)
    edges = [[piece] for piece in seen(side_view(sizes), rod.hand)]
    return [
        *_body(sizes, rod.hand),
        svg.path(edges, fill="none", stroke=svg.INK, stroke_width=svg.number(_EDGE_MM),
                 stroke_linecap="round"),
        svg.group([svg.region(label.regions(), fill=svg.INK)], label_right_mm(rod), 0.0),
    ]


def _sizes(rod: Rod) -> RodSizes:
    return compensated(rod.template, rod.length, NOMINAL)


def _mirrored(piece: Piece) -> Piece:
    if isinstance(piece, Line):
        return Line((-piece.start[0], piece.start[1]), (-piece.end[0], piece.end[1]))
    center = (-piece.center[0], piece.center[1])
    return Arc(center, piece.radius, 180.0 - piece.start_deg, -piece.sweep_deg)


def _body(sizes: RodSizes, hand: Hand) -> Iterator[str]:
    half = sizes.length_mm / 2
    if isinstance(sizes.body, FlatBar):
        outline = sizes.body.outline(sizes.fittings, sizes.length_mm)
        yield svg.path([seen(outline, hand)], fill=svg.TINT)
    else:
        yield from _round_body(sizes, sizes.body, hand)
    for x, fitting in ((-half, sizes.lower), (half, sizes.upper)):
        at = -hand.inward_y * x
        if isinstance(fitting, Eye):
            yield svg.circle(at, 0.0, fitting.bore_diameter_mm / 2, fill="#ffffff")
        elif isinstance(fitting, Ball):
            yield svg.circle(at, 0.0, fitting.ball_diameter_mm / 2, fill=svg.TINT)


def _round_body(sizes: RodSizes, bar: RoundBar, hand: Hand) -> Iterator[str]:
    half, radius = sizes.length_mm / 2, bar.diameter_mm / 2
    lower, upper = sizes.fittings
    assert isinstance(lower, Ball)  # a round bar takes nothing else
    assert isinstance(upper, Ball)
    # Necks run on under the domes, so that no white seam is left.
    for sign, ball in ((-1, lower), (1, upper)):
        left, right = sorted((0.0, -hand.inward_y * sign * half))
        neck = ball.neck_diameter_mm
        yield svg.rectangle(left, -neck / 2, right - left, neck, fill=svg.TINT)
    ends = (lower.neck_length_mm - half, half - upper.neck_length_mm)
    left, right = sorted(-hand.inward_y * end for end in ends)
    yield svg.rectangle(
        left, -radius, right - left, 2 * radius, rx=svg.number(radius), fill=svg.TINT
    )
