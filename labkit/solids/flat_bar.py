"""Flat bars: bosses, blends, rounded edges, bores and pins, as faces."""

from __future__ import annotations

from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.outlines import inset
from labkit.core.rod.rods import FlatBar, Hand
from labkit.core.rod.views import facing
from labkit.solids.body import Body
from labkit.solids.fittings import BUILDERS
from labkit.solids.frame import ReaderFrame
from labkit.solids.rounded import rounded
from labkit.solids.topology import flat_face, ring, walls

#: A piece of the outline gives a wall and two quarter rounds.
FACES_PER_PIECE = 3


def flat_bar(bar: FlatBar, sizes: RodSizes, hand: Hand) -> Body:
    """Make the faces of a flat bar with its fittings, open where the label face belongs.

    Validity: sizes that passed the bar's own check.

    Raises:
        GeometryError: A boss lower than the bar, or no straight piece left.
    """
    frame, ends = ReaderFrame(hand), facing(sizes, hand)
    half, edge = bar.thickness_mm / 2, bar.edge_radius_mm
    outline = bar.outline(ends, sizes.length_mm)
    inner = inset(outline, edge)
    low, high = ring(frame, outline, edge - half), ring(frame, outline, half - edge)
    outward, inward = ring(frame, inner, -half), ring(frame, inner, half)
    faces = walls(frame, low, high)
    faces += rounded(frame, high, inward, 1) + rounded(frame, low, outward, -1)
    inward_edges, outward_edges = [inward.courses(True)], [outward.courses(True)]
    for fitting, mount in zip(ends, bar.mounts(ends, sizes.length_mm), strict=True):
        made = BUILDERS[fitting.kind].make(frame, fitting, mount)
        faces += made.faces
        inward_edges += made.inward
        outward_edges += made.outward
    faces.append(flat_face(frame, -half, False, outward_edges))
    return Body(frame, tuple(faces), half, tuple(inward_edges))


def flat_bar_faces(bar: FlatBar, sizes: RodSizes) -> int:
    """Count a flat bar's faces without its fittings': both plane ones, and those of the outline."""
    pieces = len(bar.outline(sizes.fittings, sizes.length_mm))
    return 2 + FACES_PER_PIECE * pieces
