"""Edges in the plane of a drawing: recognised as lines or arcs, joined, and drawn once."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from labkit.core.label.lettering import Arc, Line, Piece, Point2
from labkit.core.rod.curves import at, length

#: Edges nearer than this lie on one line or circle. The kernel interpolates contours of rounded
#: edges; its points miss the true arc by up to some 1e-4 mm.
SAME_MM = 1e-3
#: A line or arc that passes this near to all points of an edge is that edge.
ON_MM = 5e-4
#: A line bends less than this; even a short piece of an arc bends more.
STRAIGHT_MM = 1e-6
#: Pieces shorter than this do not fix their own circle: they join the curve that they lie on.
SHORT_MM = 0.2

Span = tuple[float, float]


@dataclass
class _Carrier:
    """A line or circle with the spans of it that are drawn (mm along a line, degrees on a circle).

    Args:
        line: Direction angle (0 to 180, exclusive) and distance from the origin, or None.
        circle: Centre and radius, or None.
    """

    line: tuple[float, float] | None
    circle: tuple[float, float, float] | None
    spans: list[Span] = field(default_factory=list)


def piece_through(points: list[Point2]) -> Piece | None:
    """Recognise the line or arc that points on an edge lie on.

    An edge seen edge on may run back over itself; its line then spans all of its points.

    Args:
        points: Points in order along the edge, mm, at least three.

    Returns:
        The line or arc; None for a point, or another curve.

    >>> piece_through([(0.0, 0.0), (2.0, 0.0), (1.0, 0.0)])
    Line(start=(0.0, 0.0), end=(2.0, 0.0))
    """
    far = max(points, key=lambda p: math.dist(points[0], p))
    other = max(points, key=lambda p: math.dist(far, p))
    size = math.dist(far, other)
    if size < 1e-6:
        return None
    ux, uy = (other[0] - far[0]) / size, (other[1] - far[1]) / size
    if all(abs((x - far[0]) * uy - (y - far[1]) * ux) < STRAIGHT_MM for x, y in points):
        first, last = sorted((_rounded(far), _rounded(other)))
        return Line(first, last)
    return _arc_through(points)


def _arc_through(points: list[Point2]) -> Arc | None:
    closed = math.dist(points[0], points[-1]) < 1e-6
    count = len(points) - 1 if closed else len(points)
    a, b, c = points[0], points[count // 3 if closed else count // 2], points[
        2 * count // 3 if closed else -1
    ]
    circle = _circle(a, b, c)
    if circle is None:
        return None
    x, y, radius = (_snapped(value) for value in circle)
    if any(abs(math.dist((x, y), p) - radius) > ON_MM for p in points):
        return None
    angles = [math.degrees(math.atan2(q - y, p - x)) for p, q in points]
    turns = [(n - m + 180.0) % 360.0 - 180.0 for m, n in itertools.pairwise(angles)]
    sweep = sum(turns)
    start = angles[0] if sweep > 0 else angles[-1]
    return Arc((x, y), radius, start % 360.0, 360.0 if closed else abs(sweep))


def _circle(a: Point2, b: Point2, c: Point2) -> tuple[float, float, float] | None:
    bx, by, cx, cy = b[0] - a[0], b[1] - a[1], c[0] - a[0], c[1] - a[1]
    cross = 2.0 * (bx * cy - by * cx)
    if abs(cross) < 1e-12:
        return None
    bb, cc = bx * bx + by * by, cx * cx + cy * cy
    x, y = (cy * bb - by * cc) / cross, (bx * cc - cx * bb) / cross
    return a[0] + x, a[1] + y, math.hypot(x, y)


def merged(pieces: Iterable[Piece]) -> list[Piece]:
    """Join pieces that overlap or touch on one line or circle; an edge is then drawn once.

    Args:
        pieces: Lines and arcs, in any order.

    Returns:
        Lines and arcs in an order that depends on the pieces' places alone.

    >>> merged([Line((0.0, 0.0), (2.0, 0.0)), Line((3.0, 0.0), (1.0, 0.0))])
    [Line(start=(0.0, 0.0), end=(3.0, 0.0))]
    """
    carriers = _carriers(pieces)
    found = [piece for one in carriers for span in _union(one) for piece in _piece(one, span)]
    return sorted(found, key=_place)


def without(pieces: Iterable[Piece], covers: Iterable[Piece]) -> list[Piece]:
    """Leave out what other pieces already draw.

    Args:
        covers: Lines and arcs that lie on top.

    Returns:
        What is left, in an order that depends on the pieces' places alone.

    >>> without([Line((0.0, 0.0), (3.0, 0.0))], [Line((1.0, 0.0), (5.0, 0.0))])
    [Line(start=(0.0, 0.0), end=(1.0, 0.0))]
    """
    on_top = _carriers(covers)
    left = []
    for one in _carriers(pieces):
        cover = next((c for c in on_top if _same(c, one)), None)
        blocked = _union(cover) if cover else []
        for span in _union(one):
            for free in _minus(span, blocked, one.circle is not None):
                left.extend(_piece(one, free))
    return sorted(left, key=_place)


def _carriers(pieces: Iterable[Piece]) -> list[_Carrier]:
    """Gather pieces by the line or circle that they lie on, the longest first."""
    carriers: list[_Carrier] = []
    for piece in sorted(pieces, key=lambda one: (-round(length(one), 6), _place(one))):
        new = _carrier(piece)
        home = next((one for one in carriers if _same(one, new)), None)
        if home is None and length(piece) < SHORT_MM:
            home = next((one for one in carriers if _carries(one, piece)), None)
            new = _respanned(home, piece) if home else new
        if home is None:
            carriers.append(new)
        else:
            home.spans += new.spans
    return carriers


def _carries(one: _Carrier, piece: Piece) -> bool:
    """Tell whether a short piece lies on a circle, within the kernel's slack."""
    if one.circle is None:
        return False
    x, y, radius = one.circle
    return all(
        abs(math.dist((x, y), at(piece, share)) - radius) < SAME_MM for share in (0.0, 0.5, 1.0)
    )


def _respanned(one: _Carrier, piece: Piece) -> _Carrier:
    assert one.circle
    x, y, _ = one.circle
    ends = [math.degrees(math.atan2(q - y, p - x)) for p, q in (at(piece, 0.0), at(piece, 1.0))]
    if (ends[1] - ends[0]) % 360.0 > 180.0:
        ends.reverse()
    start = ends[0] % 360.0
    return _Carrier(None, one.circle, [(start, start + (ends[1] - ends[0]) % 360.0)])


def _carrier(piece: Piece) -> _Carrier:
    if isinstance(piece, Arc):
        start = piece.start_deg if piece.sweep_deg > 0 else piece.start_deg + piece.sweep_deg
        span = (start % 360.0, start % 360.0 + min(abs(piece.sweep_deg), 360.0))
        return _Carrier(None, (*piece.center, piece.radius), [span])
    (ax, ay), (bx, by) = piece.start, piece.end
    angle = math.degrees(math.atan2(by - ay, bx - ax)) % 180.0
    angle = 0.0 if angle > 180.0 - 1e-9 else angle
    ux, uy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    ends = sorted((ax * ux + ay * uy, bx * ux + by * uy))
    return _Carrier((angle, ay * ux - ax * uy), None, [(ends[0], ends[1])])


def _same(a: _Carrier, b: _Carrier) -> bool:
    if a.line and b.line:
        turn = abs(a.line[0] - b.line[0])
        return min(turn, 180.0 - turn) < 1e-3 and abs(a.line[1] - b.line[1]) < SAME_MM
    if a.circle and b.circle:
        return all(abs(p - q) < SAME_MM for p, q in zip(a.circle, b.circle, strict=True))
    return False


def _union(one: _Carrier) -> list[Span]:
    slack = SAME_MM if one.circle is None else math.degrees(SAME_MM / one.circle[2])
    joined: list[Span] = []
    for low, high in sorted(one.spans):
        if joined and low <= joined[-1][1] + slack:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    if one.circle is None:
        return joined
    return _round_turn(joined, slack)


def _round_turn(spans: list[Span], slack: float) -> list[Span]:
    """Join the last span of a circle to the first where it runs on past a full turn."""
    if any(high - low >= 360.0 - slack for low, high in spans):
        return [(0.0, 360.0)]
    while len(spans) > 1 and spans[-1][1] - 360.0 >= spans[0][0] - slack:
        low, high = spans.pop()
        first = spans.pop(0)
        spans.append((low, max(high, first[1] + 360.0)))
        if spans[-1][1] - low >= 360.0 - slack:
            return [(0.0, 360.0)]
    return spans


def _minus(span: Span, blocked: list[Span], turning: bool) -> list[Span]:
    shifts = (-360.0, 0.0, 360.0) if turning else (0.0,)
    left = [span]
    for low, high in ((a + s, b + s) for a, b in blocked for s in shifts):
        left = [
            part
            for start, end in left
            for part in ((start, min(end, low)), (max(start, high), end))
            if part[1] - part[0] > SAME_MM
        ]
    return left


def _piece(one: _Carrier, span: Span) -> list[Piece]:
    low, high = span
    if one.circle:
        x, y, radius = one.circle
        return [Arc((x, y), radius, _clean(low % 360.0) % 360.0, _clean(high - low))]
    assert one.line
    angle, offset = one.line
    ux, uy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    ends = [_rounded((s * ux - offset * uy, s * uy + offset * ux)) for s in (low, high)]
    return [Line(ends[0], ends[1])] if ends[0] != ends[1] else []


def _rounded(point: Point2) -> Point2:
    return (_clean(point[0]), _clean(point[1]))


def _clean(value: float) -> float:
    """Drop the kernel's noise, so that a drawing's bytes do not depend on it."""
    return round(value, 6) + 0.0


def _snapped(value: float) -> float:
    """Take a size recovered from a fitted contour as the round number it stands for."""
    near = round(value, 3)
    return near + 0.0 if abs(near - value) < ON_MM / 5 else _clean(value)


def _place(piece: Piece) -> tuple[float, ...]:
    if isinstance(piece, Line):
        return (0.0, *piece.start, *piece.end)
    return (1.0, *piece.center, piece.radius, piece.start_deg, piece.sweep_deg)
