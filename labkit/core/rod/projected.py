"""Views of a rod as exact lines and arcs: what a drawing is made from."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.label.lettering import Piece
from labkit.core.numbers import require_finite
from labkit.core.rod.rods import Hand


@dataclass(frozen=True)
class ProjectedView:
    """The edges of a solid seen from one direction, each drawn once.

    Args:
        visible: Edges in sight, and the contour.
        hidden: Edges behind material, where no visible one covers them.
    """

    visible: tuple[Piece, ...]
    hidden: tuple[Piece, ...]


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


@dataclass(frozen=True)
class ViewRequest:
    """What has to be known of a rod to look at it.

    Args:
        hand: Which way its inward face looks.
        from_left: Whether the side view is that from the reader's left.
        section_u_mm: Where it is cut across, u of the reader's frame.
        label_height_mm: n of the face that bears the label.
        label_depth_mm: Depth of the label. Hidden edges of its pockets are left out: the section
            shows the depth, and a thicket of dashes would show nothing.
    """

    hand: Hand
    from_left: bool
    section_u_mm: float
    label_height_mm: float
    label_depth_mm: float

    def __post_init__(self) -> None:
        require_finite(self)
