"""Exact outlines of strokes of constant width: lines and arcs, no kernel, no chords.

A stroke's region is everything within half the stroke width of its centreline. Its boundary can
only run along offsets of the centrelines and along circles round their ends; so those are cut
wherever two of them meet, the pieces that lie inside another stroke are dropped, and the rest is
chained.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise

from labkit.core.label.lettering import Arc, Disc, Line, Mark, Piece, Point2, Region
from labkit.core.rod.curves import (
    ON_CURVE,
    at,
    box,
    cut,
    enclosed_area,
    length,
    meetings,
    share_of,
)
from labkit.errors import LabelError

#: Ends of pieces nearer than this are one joint; shorter pieces are left over from rounding.
JOINT = 1e-7
#: A real edge shorter than this share of the character's height is a mistake of drawing, not a
#: detail (0.0018 mm in the smallest height; a CAD kernel works to 1e-7 mm).
SHORTEST = 1e-3


@lru_cache(maxsize=512)
def outline(marks: tuple[Mark, ...], stroke: float) -> tuple[Region, ...]:
    """Compute the exact outline of strokes with round ends.

    Formula: boundary of {p : distance(p, centreline) ≤ stroke/2} ∪ discs.

    Args:
        marks: Centrelines and discs, in units of the character's height (or of similar size).

    Returns:
        Regions from left to right; outer loops counter-clockwise, holes clockwise; no arc turns by
        more than 180°.

    Validity: sizes between 0.1 and 100 units; tolerances are absolute.

    Raises:
        LabelError: The strokes touch at a single point or leave an edge too short to build.

    >>> (slot,) = outline((Line((0.0, 0.0), (1.0, 0.0)),), 0.2)
    >>> len(slot.outer), len(slot.holes)
    (4, 0)
    """
    half = stroke / 2.0
    candidates = _candidates(marks, half)
    kept = [piece for piece in _split(candidates) if _outside(at(piece, 0.5), marks, half)]
    boundary = _distinct(kept)
    _refuse_touching(boundary)
    loops = [_tidy(loop) for loop in _chain(boundary)]
    for loop in loops:
        _check_lengths(loop)
    return _regions(loops)


def _candidates(marks: tuple[Mark, ...], half: float) -> list[Piece]:
    """Offsets and end circles, all running with the region on their left, each once."""
    pieces: list[Piece] = []
    for mark in marks:
        if isinstance(mark, Disc):
            pieces.append(_circle(mark.center, mark.radius))
        elif isinstance(mark, Line):
            pieces += _beside_line(mark, half)
        else:
            pieces += _beside_arc(mark, half)
    seen: list[Point2] = []
    for mark in marks:
        for end in _ends(mark):
            if all(math.dist(end, other) > JOINT for other in seen):
                seen.append(end)
                pieces.append(_circle(end, half))
    return pieces


def _circle(center: Point2, radius: float) -> Arc:
    return Arc(center, radius, 0.0, 360.0)


def _ends(mark: Mark) -> tuple[Point2, ...]:
    if isinstance(mark, Disc) or (isinstance(mark, Arc) and abs(mark.sweep_deg) >= 360.0):
        return ()
    return (at(mark, 0.0), at(mark, 1.0))


def _beside_line(line: Line, half: float) -> tuple[Piece, Piece]:
    (ax, ay), (bx, by) = line.start, line.end
    size = math.dist(line.start, line.end)
    nx, ny = half * (by - ay) / size, -half * (bx - ax) / size
    right = Line((ax + nx, ay + ny), (bx + nx, by + ny))
    left = Line((bx - nx, by - ny), (ax - nx, ay - ny))
    return (right, left)


def _beside_arc(arc: Arc, half: float) -> list[Piece]:
    """Both offsets of an arc; the inner one only exists where the arc is wider than the stroke.

    Nothing is lost without it: at radius ≤ half every point of the inner offset lies nearer than
    half to another point of the arc, so it is inside the stroke.
    """
    first = arc.start_deg if arc.sweep_deg > 0.0 else arc.start_deg + arc.sweep_deg
    sweep = abs(arc.sweep_deg)
    pieces: list[Piece] = [Arc(arc.center, arc.radius + half, first % 360.0, sweep)]
    if arc.radius - half > JOINT:
        pieces.append(Arc(arc.center, arc.radius - half, (first + sweep) % 360.0, -sweep))
    return pieces


def _split(pieces: list[Piece]) -> list[Piece]:
    """Cut every piece where another one crosses it, touches it or ends on it."""
    shares: list[list[float]] = [[] for _ in pieces]
    for i, first in enumerate(pieces):
        for j in range(i + 1, len(pieces)):
            for point in meetings(first, pieces[j]):
                a, b = share_of(first, point), share_of(pieces[j], point)
                if a is not None and b is not None:
                    shares[i].append(a)
                    shares[j].append(b)
    ends = [at(piece, share) for piece in pieces if not _closed(piece) for share in (0.0, 1.0)]
    for own, piece in zip(shares, pieces, strict=True):
        own += [share for end in ends if (share := share_of(piece, end)) is not None]
    return [
        part
        for own, piece in zip(shares, pieces, strict=True)
        for part in _parts(piece, own)
        if length(part) > JOINT
    ]


def _closed(piece: Piece) -> bool:
    return isinstance(piece, Arc) and abs(piece.sweep_deg) >= 360.0


def _parts(piece: Piece, shares: list[float]) -> list[Piece]:
    least = JOINT / length(piece)
    cuts: list[float] = []
    for share in sorted(shares):
        if not cuts or share - cuts[-1] > least:
            cuts.append(share)
    if _closed(piece):
        if len(cuts) > 1 and cuts[0] + 1.0 - cuts[-1] <= least:
            cuts.pop()
        if not cuts:
            return [piece]
        return [cut(piece, a, b) for a, b in zip(cuts, [*cuts[1:], cuts[0] + 1.0], strict=True)]
    cuts = [0.0, *(share for share in cuts if least < share < 1.0 - least), 1.0]
    return [cut(piece, a, b) for a, b in pairwise(cuts)]


def _outside(point: Point2, marks: tuple[Mark, ...], half: float) -> bool:
    return all(_clearance(point, mark, half) >= -ON_CURVE for mark in marks)


def _clearance(point: Point2, mark: Mark, half: float) -> float:
    """Distance of a point from the edge of one mark's stroke, negative inside it."""
    if isinstance(mark, Disc):
        return math.dist(point, mark.center) - mark.radius
    return distance(point, mark) - half


def distance(point: Point2, piece: Piece) -> float:
    """Measure the distance of a point from a line or an arc.

    Returns:
        Distance in the unit of both.

    >>> distance((3.0, 1.0), Line((0.0, 0.0), (2.0, 0.0))) == 2.0 ** 0.5
    True
    """
    if isinstance(piece, Line):
        (ax, ay), (bx, by) = piece.start, piece.end
        ux, uy = bx - ax, by - ay
        along = ((point[0] - ax) * ux + (point[1] - ay) * uy) / (ux * ux + uy * uy)
        return math.dist(point, at(piece, min(max(along, 0.0), 1.0)))
    dx, dy = point[0] - piece.center[0], point[1] - piece.center[1]
    turn = math.degrees(math.atan2(dy, dx)) - piece.start_deg
    turn = turn % 360.0 if piece.sweep_deg > 0.0 else (-turn) % 360.0
    if turn <= abs(piece.sweep_deg):
        return abs(math.hypot(dx, dy) - piece.radius)
    return min(math.dist(point, at(piece, 0.0)), math.dist(point, at(piece, 1.0)))


def _distinct(pieces: list[Piece]) -> list[Piece]:
    """Keep one of several equal pieces, and none of a pair that runs along itself both ways.

    Such a pair is a seam between two strokes that touch along their edges: not a boundary.
    """
    distinct: list[Piece] = []
    for piece in pieces:
        if not any(_same(piece, other, ahead=True) for other in distinct):
            distinct.append(piece)
    return [p for p in distinct if not any(_same(p, q, ahead=False) for q in distinct)]


def _same(a: Piece, b: Piece, *, ahead: bool) -> bool:
    first, last = (0.0, 1.0) if ahead else (1.0, 0.0)
    pairs = ((0.0, first), (0.25, 0.25 if ahead else 0.75), (1.0, last))
    return all(math.dist(at(a, s), at(b, t)) <= JOINT for s, t in pairs)


def _near(a: Point2, b: Point2) -> bool:
    return math.dist(a, b) <= JOINT


def _refuse_touching(pieces: list[Piece]) -> None:
    """Refuse a boundary that meets itself: a solid with such an edge is not a solid."""
    starts = [at(piece, 0.0) for piece in pieces]
    for k, (x, y) in enumerate(starts):
        if any(_near((x, y), other) for other in starts[:k]):
            raise LabelError(
                f"the outline of a character touches itself at ({x:.4f}, {y:.4f}); strokes must "
                "overlap or stay apart, not touch at a point: move one of them",
                field="strokes",
                value=(x, y),
            )


def _chain(pieces: list[Piece]) -> list[list[Piece]]:
    loops = [[piece] for piece in pieces if _closed(piece)]
    loose = [piece for piece in pieces if not _closed(piece)]
    while loose:
        loop = [loose.pop(0)]
        start = at(loop[0], 0.0)
        while not _near(at(loop[-1], 1.0), start):
            end = at(loop[-1], 1.0)
            # One piece starts there and no more: boundaries are closed, and do not touch.
            following = next(piece for piece in loose if _near(at(piece, 0.0), end))
            loose.remove(following)
            loop.append(following)
        loops.append(loop)
    return loops


def _tidy(loop: list[Piece]) -> tuple[Piece, ...]:
    """Join what was cut without need, give neighbours one joint, halve arcs over 180°."""
    joined: list[Piece] = []
    for piece in loop:
        longer = _continued(joined[-1], piece) if joined else None
        if longer is None:
            joined.append(piece)
        else:
            joined[-1] = longer
    if len(joined) > 1 and (longer := _continued(joined[-1], joined[0])) is not None:
        joined = [longer, *joined[1:-1]]
    parts = [part for piece in _jointed(joined) for part in _at_most_half_turns(piece)]
    return tuple(parts)


def _continued(first: Piece, then: Piece) -> Piece | None:
    """One piece in place of two that follow the same line or circle, None if they do not."""
    if isinstance(first, Arc) and isinstance(then, Arc):
        same = math.dist(first.center, then.center) <= JOINT
        if same and abs(first.radius - then.radius) <= JOINT:
            sweep = first.sweep_deg + then.sweep_deg
            return Arc(first.center, first.radius, first.start_deg, sweep)
    if isinstance(first, Line) and isinstance(then, Line):
        whole = Line(first.start, then.end)
        share = share_of(whole, first.end)
        if share is not None and 0.0 < share < 1.0:
            return whole
    return None


def _jointed(loop: list[Piece]) -> list[Piece]:
    """Let lines start and end exactly on their neighbours' ends."""
    jointed = list(loop)
    for k, piece in enumerate(jointed):
        before, after = jointed[k - 1], jointed[(k + 1) % len(jointed)]
        if isinstance(piece, Line):
            end = after.start if isinstance(after, Line) else at(after, 0.0)
            start = at(before, 1.0)
            jointed[k] = Line(start, end)
    return jointed


def _at_most_half_turns(piece: Piece) -> list[Piece]:
    if isinstance(piece, Line) or abs(piece.sweep_deg) <= 180.0 + ON_CURVE:
        return [piece]
    return [cut(piece, 0.0, 0.5), cut(piece, 0.5, 1.0)]


def _check_lengths(loop: tuple[Piece, ...]) -> None:
    for piece in loop:
        if length(piece) < SHORTEST:
            x, y = at(piece, 0.5)
            raise LabelError(
                f"the outline of a character has an edge of {length(piece):.1e} of its height at "
                f"({x:.4f}, {y:.4f}); edges must be at least {SHORTEST:g}: let the strokes meet "
                "exactly or clearly apart",
                field="strokes",
                value=(x, y),
            )


def _regions(loops: list[tuple[Piece, ...]]) -> tuple[Region, ...]:
    outers = sorted((loop for loop in loops if enclosed_area(loop) > 0.0), key=box)
    holes = sorted((loop for loop in loops if enclosed_area(loop) < 0.0), key=box)
    owned: list[list[tuple[Piece, ...]]] = [[] for _ in outers]
    for hole in holes:
        around = [k for k, outer in enumerate(outers) if _within(box(hole), box(outer))]
        owned[min(around, key=lambda k: enclosed_area(outers[k]))].append(hole)
    return tuple(Region(outer, tuple(own)) for outer, own in zip(outers, owned, strict=True))


def _within(
    inner: tuple[float, float, float, float], outer: tuple[float, float, float, float]
) -> bool:
    return (
        outer[0] <= inner[0]
        and inner[1] <= outer[1]
        and outer[2] <= inner[2]
        and inner[3] <= outer[3]
    )
