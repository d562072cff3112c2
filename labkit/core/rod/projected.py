"""Views of a rod as exact lines and arcs, and what of them is hidden."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from labkit.core.label.lettering import Line, Piece, Point2
from labkit.core.rod.curves import at, cut, length, meetings, mirrored, share_of
from labkit.core.rod.outlines import Loop

#: Parts of an edge shorter than this are left over from rounding.
SHORTEST_MM = 1e-7
#: Farther than any part, at a slope at which no edge of a part runs.
_AWAY = (1234.5, 1008.1)


@dataclass(frozen=True)
class ProjectedView:
    """The edges of a solid seen from one direction, each drawn once.

    Args:
        visible: Edges in sight, and the contour.
        hidden: Edges behind material, where no visible one covers them.
        fine: Edges in sight so close to others that they are drawn thin: labels, chamfers.
        cover: Closed outline within which it hides what lies behind it.
    """

    visible: tuple[Piece, ...]
    hidden: tuple[Piece, ...] = ()
    fine: tuple[Piece, ...] = ()
    cover: Loop = ()

    @property
    def seen(self) -> tuple[Piece, ...]:
        """All edges in sight."""
        return self.visible + self.fine

    def __add__(self, other: ProjectedView) -> ProjectedView:
        """Put edges of the same view together; what is drawn already is not drawn again."""
        visible = tuple(dict.fromkeys(self.visible + other.visible))
        fine = tuple(dict.fromkeys(self.fine + other.fine))
        hidden = [one for one in self.hidden + other.hidden if one not in visible + fine]
        return ProjectedView(visible, tuple(dict.fromkeys(hidden)), fine)

    def mirrored(self) -> ProjectedView:
        """Look from the other side: right becomes left."""
        sides = (tuple(map(mirrored, one)) for one in (self.visible, self.hidden, self.fine))
        return ProjectedView(*sides)

    def behind(self, covers: Iterable[Loop]) -> ProjectedView:
        """Look at the same edges with something in front of them.

        Args:
            covers: Closed outlines of what is in front; an edge on an outline stays in sight.
        """
        visible, fine, hidden = list(self.visible), list(self.fine), list(self.hidden)
        for cover in covers:
            visible, inside = _parted(visible, cover)
            fine, fine_inside = _parted(fine, cover)
            hidden += inside + fine_inside
        return ProjectedView(tuple(visible), tuple(hidden), tuple(fine))


@dataclass(frozen=True)
class RodViews:
    """A rod seen in the reader's frame: u right, v up, n out of the inward face.

    Args:
        front: The inward face; u to the right, v up.
        top: From above; u to the right, the inward face downwards (y = −n).
        side: From the reader's left, the inward face to the right (x = n), or from the right,
            the inward face to the left (x = −n); v up.
        section: Cut across the rod, seen from the left: closed outline in x = n, y = v.
    """

    front: ProjectedView
    top: ProjectedView
    side: ProjectedView
    section: tuple[Piece, ...]


def _parted(pieces: Iterable[Piece], cover: Loop) -> tuple[list[Piece], list[Piece]]:
    """Cut edges where an outline crosses them; give what lies outside of it and what inside."""
    outside: list[Piece] = []
    inside: list[Piece] = []
    for piece in pieces:
        shares = {0.0, 1.0}
        for edge in cover:
            for point in meetings(piece, edge):
                share = share_of(piece, point)
                if share is not None and share_of(edge, point) is not None:
                    shares.add(share)
        for first, last in pairwise(sorted(shares)):
            if (last - first) * length(piece) > SHORTEST_MM:
                part = piece if last - first == 1.0 else cut(piece, first, last)
                (inside if within(at(part, 0.5), cover) else outside).append(part)
    return outside, inside


def within(point: Point2, loop: Loop) -> bool:
    """Tell whether a point lies inside a closed outline and not on it: by the edges on its way."""
    if any(share_of(edge, point) is not None for edge in loop):
        return False
    way = Line(point, (point[0] + _AWAY[0], point[1] + _AWAY[1]))
    crossed = [
        edge for edge in loop for hit in meetings(way, edge)
        if share_of(way, hit) is not None and share_of(edge, hit) is not None
    ]
    return len(crossed) % 2 == 1
