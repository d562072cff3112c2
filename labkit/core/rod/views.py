"""Views of a rod as exact lines and arcs, for someone who looks at its inward face."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from labkit.core.label.lettering import Engraving, Lettering, Line, Piece, Region
from labkit.core.label.place import centers_u_mm, lay_out_rod
from labkit.core.numbers import Finite
from labkit.core.rod.bodies.base import Ends
from labkit.core.rod.compensation import RodSizes, nominal_sizes
from labkit.core.rod.curves import meetings, moved_piece, share_of
from labkit.core.rod.fittings import Fitting, Mount
from labkit.core.rod.outlines import Loop
from labkit.core.rod.projected import ProjectedView, RodViews, within
from labkit.core.rod.rods import Hand, Rod

#: Strokes met at heights that agree to these decimals of a millimetre are met once.
HIT_DECIMALS = 9


@dataclass(frozen=True)
class SeenLabel(Finite):
    """A label, and a case mark beside it, where the reader sees them.

    Args:
        centers_u_mm: How far the middles of both lie to the right of the rod's middle.
    """

    engraving: Engraving
    centers_u_mm: tuple[float, ...]
    depth_mm: float

    @classmethod
    def of(cls, rod: Rod, lettering: Lettering) -> SeenLabel:
        """Lay out the label of a rod."""
        engraving = lay_out_rod(lettering, rod)
        return cls(engraving, centers_u_mm(rod, engraving), rod.template.label.depth_mm)

    @property
    def center_u_mm(self) -> float:
        """How far the label's middle lies to the right of the rod's middle."""
        return self.centers_u_mm[0]

    def loops(self) -> tuple[tuple[Loop, ...], ...]:
        """Give the outlines of each stroke where they lie: the outer one, then holes."""
        return tuple(
            tuple(tuple(moved_piece(piece, 1.0, (center_u, 0.0)) for piece in loop)
                  for loop in (region.outer, *region.holes))
            for text, center_u in zip(self.engraving.texts, self.centers_u_mm, strict=True)
            for region in text.regions()
        )


def facing(sizes: RodSizes, hand: Hand) -> Ends:
    """Give the fittings at the reader's left and right."""
    return sizes.fittings if hand is Hand.MINUS_Y else (sizes.upper, sizes.lower)


def seen_ends(rod: Rod) -> tuple[tuple[Fitting, Mount], ...]:
    """Give the fittings at the reader's left and right, each with its place."""
    sizes = nominal_sizes(rod)
    return tuple(sizes.body.mounted(facing(sizes, rod.hand), sizes.length_mm))


def front_view(sizes: RodSizes, hand: Hand = Hand.MINUS_Y) -> ProjectedView:
    """Draw a rod's edges as its reader sees them, without the label.

    Returns:
        Lines and arcs, u to the right, v up.

    Raises:
        GeometryError: The sizes leave no bar between the fittings.
    """
    return sizes.body.front_view(facing(sizes, hand), sizes.length_mm)


def top_view(sizes: RodSizes, hand: Hand = Hand.MINUS_Y) -> ProjectedView:
    """Draw a rod's edges seen from above, the inward side downwards."""
    return sizes.body.top_view(facing(sizes, hand), sizes.length_mm)


def faces(sizes: RodSizes, hand: Hand = Hand.MINUS_Y) -> tuple[Region, ...]:
    """Outline what a rod covers as its reader sees it."""
    return sizes.body.faces(facing(sizes, hand), sizes.length_mm)


def rod_views(rod: Rod, label: SeenLabel, *, from_left: bool, section_u_mm: float) -> RodViews:
    """Draw a rod with its label at nominal size.

    Args:
        from_left: Whether the side view is that from the reader's left.
        section_u_mm: Where it is cut across.

    Returns:
        Three views and a section. Hidden edges of the label's pockets are left out: the section
        shows the depth, and a thicket of dashes would show nothing.

    Source: ISO 128-3:2020 (visible and hidden edges; smooth transitions are not drawn).
    """
    sizes, hand = nominal_sizes(rod), rod.hand
    ends, body = facing(sizes, hand), sizes.body
    strokes = tuple(piece for loops in label.loops() for loop in loops for piece in loop)
    side = body.end_view(ends if from_left else ends[::-1], sizes.length_mm)
    return RodViews(
        front=front_view(sizes, hand) + ProjectedView((), (), strokes),
        top=top_view(sizes, hand),
        side=side if from_left else side.mirrored(),
        section=_section(sizes, ends, label, section_u_mm),
    )


def _section(
    sizes: RodSizes, ends: Ends, label: SeenLabel, u_mm: float
) -> tuple[Piece, ...]:
    """Cut across rod and label: the label's strokes are pockets in the inward face."""
    outline, half = sizes.body.section(ends, sizes.length_mm, u_mm)
    across = Line((u_mm, -half), (u_mm, half))
    strokes = label.loops()
    hits = {
        round(hit[1], HIT_DECIMALS)
        for loops in strokes for loop in loops for piece in loop
        for hit in meetings(across, piece) if share_of(piece, hit) is not None
    }
    face = sizes.body.label_level_mm
    floor, pieces, level = face - label.depth_mm, list(outline), face
    for low, high in pairwise(sorted({-half, *hits, half})):
        middle = (u_mm, (low + high) / 2)
        cut = any(sum(within(middle, loop) for loop in loops) == 1 for loops in strokes)
        below = floor if cut else face
        if below != level:
            pieces.append(Line((level, low), (below, low)))
        pieces.append(Line((below, low), (below, high)))
        level = below
    return tuple(pieces)
