"""Closed loops of lines and arcs: turning, setting in, checking, area of regions."""

from __future__ import annotations

import math
from itertools import pairwise

from labkit.core.label.lettering import Arc, Line, Piece, Point2, Region
from labkit.core.rod.curves import at, enclosed_area, moved_piece
from labkit.errors import GeometryError

Loop = tuple[Piece, ...]

#: Two pieces meet if their ends are closer than this; half of the kernel's own point tolerance.
JOINT_TOLERANCE_MM = 5e-8


def rectangle(left: float, right: float, low: float, high: float) -> Loop:
    """Draw a rectangle from its lower left corner, counter-clockwise."""
    return polygon((left, low), (right, low), (right, high), (left, high))


def circle(center: Point2, radius: float) -> Loop:
    """Draw a circle, counter-clockwise."""
    return (Arc(center, radius, 0.0, 360.0),)


def polygon(*corners: Point2) -> Loop:
    """Draw straight lines from corner to corner and back to the first."""
    return tuple(Line(a, b) for a, b in pairwise((*corners, corners[0])))


def turned(loop: Loop) -> Loop:
    """Run a loop the other way round.

    >>> turned((Line((0.0, 0.0), (1.0, 0.0)),))
    (Line(start=(1.0, 0.0), end=(0.0, 0.0)),)
    """
    return tuple(_turned_piece(piece) for piece in reversed(loop))


def inset(loop: Loop, distance_mm: float) -> Loop:
    """Offset a tangent-continuous loop to its left (inwards where it runs counter-clockwise).

    Formula: lines move along their left normal, left-turning arcs lose the distance from their
    radius, right-turning arcs gain it.

    Args:
        loop: Closed loop without corners.
        distance_mm: Offset in mm, not negative.

    Validity: every left-turning radius is larger than the distance.

    Raises:
        GeometryError: An arc is too tight for the distance.

    >>> inset((Arc((0.0, 0.0), 2.0, 0.0, 360.0),), 0.5)
    (Arc(center=(0.0, 0.0), radius=1.5, start_deg=0.0, sweep_deg=360.0),)
    """
    return tuple(_inset_piece(piece, distance_mm) for piece in loop)


def require_closed(loop: Loop, what: str) -> None:
    """Refuse a loop whose pieces do not meet end to start.

    Args:
        loop: Pieces in order.

    Raises:
        GeometryError: There is no piece, or a gap.
    """
    if not loop:
        raise GeometryError(f"the outline of {what} has no pieces; it must be a closed loop")
    for before, after in zip(loop, (*loop[1:], loop[0]), strict=True):
        gap = math.dist(at(before, 1.0), at(after, 0.0))
        if gap > JOINT_TOLERANCE_MM:
            raise GeometryError(
                f"the outline of {what} has a gap of {gap:.3g} mm; its pieces must meet within "
                f"{JOINT_TOLERANCE_MM:g} mm"
            )


def region_area_mm2(region: Region) -> float:
    """Work out the area of a region, its holes taken off.

    >>> square = tuple(Line(a, b) for a, b in [
    ...     ((0., 0.), (2., 0.)), ((2., 0.), (2., 2.)), ((2., 2.), (0., 2.)), ((0., 2.), (0., 0.))])
    >>> hole = (Arc((1.0, 1.0), 0.5, 0.0, -360.0),)
    >>> round(region_area_mm2(Region(square, (hole,))), 6)
    3.214602
    """
    return math.fsum(enclosed_area(loop) for loop in (region.outer, *region.holes))


def spandrel(radius: float) -> tuple[float, float]:
    """Give what an arc leaves between itself and the two lines of a corner that it rounds.

    Returns:
        Its area in mm², and its first moment about either line in mm³.

    >>> [round(value, 6) for value in spandrel(1.0)]
    [0.214602, 0.047935]
    """
    return radius**2 * (1 - math.pi / 4), radius**3 * (5 / 6 - math.pi / 4)


def _turned_piece(piece: Piece) -> Piece:
    if isinstance(piece, Line):
        return Line(piece.end, piece.start)
    return Arc(
        piece.center, piece.radius, piece.start_deg + piece.sweep_deg, -piece.sweep_deg
    )


def _inset_piece(piece: Piece, distance_mm: float) -> Piece:
    if isinstance(piece, Line):
        (ax, ay), (bx, by) = piece.start, piece.end
        share = distance_mm / math.dist(piece.start, piece.end)
        return moved_piece(piece, 1.0, (-(by - ay) * share, (bx - ax) * share))
    radius = piece.radius - math.copysign(distance_mm, piece.sweep_deg)
    if radius <= 0:
        raise GeometryError(
            f"an arc of radius {piece.radius:g} mm cannot be set in by {distance_mm:g} mm; "
            "the distance must be smaller than the radius"
        )
    return Arc(piece.center, radius, piece.start_deg, piece.sweep_deg)
