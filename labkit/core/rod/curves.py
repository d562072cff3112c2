"""Lines and arcs as curves: points on them, where two meet, what a loop encloses."""

from __future__ import annotations

import math

from labkit.core.label.lettering import Arc, Disc, Line, Mark, Piece, Point2

#: Two curves nearer than this where they turn parallel are taken as touching there (relative to
#: lettering of height 1: rounding of doubles leaves about 1e-16).
TOUCH = 1e-12
#: A point this near to a curve lies on it.
ON_CURVE = 1e-9


def at(piece: Piece, share: float) -> Point2:
    """Give the point of a piece at a share of its length, 0 at its start, 1 at its end.

    Args:
        share: Share of its length, from 0 to 1; beyond it, the piece is continued.

    >>> at(Line((0.0, 0.0), (2.0, 0.0)), 0.5)
    (1.0, 0.0)
    """
    if isinstance(piece, Line):
        if share in (0.0, 1.0):
            return piece.end if share else piece.start
        (ax, ay), (bx, by) = piece.start, piece.end
        return (ax + share * (bx - ax), ay + share * (by - ay))
    angle = math.radians(piece.start_deg + share * piece.sweep_deg)
    return (
        piece.center[0] + piece.radius * math.cos(angle),
        piece.center[1] + piece.radius * math.sin(angle),
    )


def length(piece: Piece) -> float:
    """Measure a piece along its course.

    >>> round(length(Arc((0.0, 0.0), 2.0, 0.0, -90.0)), 6)
    3.141593
    """
    if isinstance(piece, Line):
        return math.dist(piece.start, piece.end)
    return piece.radius * math.radians(abs(piece.sweep_deg))


def cut(piece: Piece, first: float, last: float) -> Piece:
    """Give the part of a piece between two shares of its length.

    Args:
        first: Share of the length at which the part starts.
        last: Share at which it ends, above `first`; may exceed 1 on a full circle.

    Returns:
        The part, running the same way.
    """
    if isinstance(piece, Line):
        return Line(at(piece, first), at(piece, last))
    return Arc(
        piece.center,
        piece.radius,
        (piece.start_deg + first * piece.sweep_deg) % 360.0,
        (last - first) * piece.sweep_deg,
    )


def share_of(piece: Piece, point: Point2) -> float | None:
    """Find where a point lies on a piece.

    Returns:
        Share of the length from 0 to 1, None if the point is farther away than ON_CURVE.
    """
    if isinstance(piece, Line):
        return _share_of_line(piece, point)
    dx, dy = point[0] - piece.center[0], point[1] - piece.center[1]
    if abs(math.hypot(dx, dy) - piece.radius) > ON_CURVE:
        return None
    turn = math.degrees(math.atan2(dy, dx)) - piece.start_deg
    turn = turn % 360.0 if piece.sweep_deg > 0.0 else -((-turn) % 360.0)
    slack = math.degrees(ON_CURVE / piece.radius)
    if abs(turn) >= 360.0 - slack:
        turn = 0.0
    if abs(turn) > abs(piece.sweep_deg) + slack:
        return None
    return min(turn / piece.sweep_deg, 1.0)


def _share_of_line(line: Line, point: Point2) -> float | None:
    (ax, ay), (bx, by) = line.start, line.end
    ux, uy = bx - ax, by - ay
    size = math.hypot(ux, uy)
    along = ((point[0] - ax) * ux + (point[1] - ay) * uy) / size
    across = ((point[1] - ay) * ux - (point[0] - ax) * uy) / size
    if abs(across) > ON_CURVE or not -ON_CURVE <= along <= size + ON_CURVE:
        return None
    return min(max(along / size, 0.0), 1.0)


def meetings(a: Piece, b: Piece) -> list[Point2]:
    """Find where the full lines or circles of two pieces cross or touch.

    Coincident and parallel ones give nothing: their ends are looked at by the caller.

    Returns:
        None, one or two points, on the full lines or circles.
    """
    if isinstance(a, Line):
        return _line_line(a, b) if isinstance(b, Line) else _line_circle(a, b)
    return _line_circle(b, a) if isinstance(b, Line) else _circle_circle(a, b)


def _line_line(a: Line, b: Line) -> list[Point2]:
    ux, uy = a.end[0] - a.start[0], a.end[1] - a.start[1]
    vx, vy = b.end[0] - b.start[0], b.end[1] - b.start[1]
    cross = ux * vy - uy * vx
    if abs(cross) <= TOUCH * math.hypot(ux, uy) * math.hypot(vx, vy):
        return []
    wx, wy = b.start[0] - a.start[0], b.start[1] - a.start[1]
    return [at(a, (wx * vy - wy * vx) / cross)]


def _line_circle(line: Line, circle: Arc) -> list[Point2]:
    (ax, ay), (bx, by) = line.start, line.end
    size = math.hypot(bx - ax, by - ay)
    ux, uy = (bx - ax) / size, (by - ay) / size
    along = (circle.center[0] - ax) * ux + (circle.center[1] - ay) * uy
    fx, fy = ax + along * ux, ay + along * uy
    gap = math.dist((fx, fy), circle.center)
    if abs(gap - circle.radius) <= TOUCH:
        return [(fx, fy)]
    if gap > circle.radius:
        return []
    half = math.sqrt(circle.radius**2 - gap**2)
    return [(fx - half * ux, fy - half * uy), (fx + half * ux, fy + half * uy)]


def _circle_circle(a: Arc, b: Arc) -> list[Point2]:
    dx, dy = b.center[0] - a.center[0], b.center[1] - a.center[1]
    gap = math.hypot(dx, dy)
    if gap <= TOUCH:
        return []
    ux, uy = dx / gap, dy / gap
    along = (gap**2 + a.radius**2 - b.radius**2) / (2.0 * gap)
    fx, fy = a.center[0] + along * ux, a.center[1] + along * uy
    apart = abs(gap - (a.radius + b.radius))
    if min(apart, abs(gap - abs(a.radius - b.radius))) <= TOUCH:
        return [(fx, fy)]
    square = a.radius**2 - along**2
    if square < 0.0:
        return []
    half = math.sqrt(square)
    return [(fx - half * uy, fy + half * ux), (fx + half * uy, fy - half * ux)]


def moved(mark: Mark, factor: float, shift: Point2) -> Mark:
    """Scale a mark about the origin, then shift it.

    Args:
        factor: Scale, above 0.
        shift: Shift after scaling.

    >>> moved(Disc((1.0, 0.0), 0.5), 2.0, (0.0, 3.0))
    Disc(center=(2.0, 3.0), radius=1.0)
    """
    if isinstance(mark, Disc):
        return Disc(_placed(mark.center, factor, shift), mark.radius * factor)
    return moved_piece(mark, factor, shift)


def moved_piece(piece: Piece, factor: float, shift: Point2) -> Piece:
    """Scale a piece about the origin, then shift it."""
    if isinstance(piece, Line):
        return Line(_placed(piece.start, factor, shift), _placed(piece.end, factor, shift))
    center = _placed(piece.center, factor, shift)
    return Arc(center, piece.radius * factor, piece.start_deg, piece.sweep_deg)


def mirrored(piece: Piece) -> Piece:
    """Mirror a piece: right becomes left.

    >>> mirrored(Line((0.0, 0.0), (2.0, 1.0)))
    Line(start=(-0.0, 0.0), end=(-2.0, 1.0))
    """
    if isinstance(piece, Line):
        return Line((-piece.start[0], piece.start[1]), (-piece.end[0], piece.end[1]))
    center = (-piece.center[0], piece.center[1])
    return Arc(center, piece.radius, 180.0 - piece.start_deg, -piece.sweep_deg)


def quarter_turned(piece: Piece) -> Piece:
    """Turn a piece about the origin by a quarter, counter-clockwise.

    >>> quarter_turned(Line((0.0, 0.0), (2.0, 1.0)))
    Line(start=(-0.0, 0.0), end=(-1.0, 2.0))
    """
    if isinstance(piece, Line):
        (ax, ay), (bx, by) = piece.start, piece.end
        return Line((-ay, ax), (-by, bx))
    x, y = piece.center
    return Arc((-y, x), piece.radius, piece.start_deg + 90.0, piece.sweep_deg)


def _placed(point: Point2, factor: float, shift: Point2) -> Point2:
    return (factor * point[0] + shift[0], factor * point[1] + shift[1])


def loop_vertices(loop: tuple[Piece, ...]) -> tuple[Point2, ...]:
    """Give the point at which each piece of a closed loop starts, one float pair for each joint.

    A line knows its ends; an arc's are computed from its angle and differ from them by rounding
    (about 1e-16 of its size). Here the line's word counts, so that neighbours share one vertex.

    Returns:
        One point for each piece: where it starts and where the piece before it ends.
    """
    points = []
    for before, piece in zip((loop[-1], *loop[:-1]), loop, strict=True):
        from_before = isinstance(piece, Arc) and isinstance(before, Line)
        points.append(at(before, 1.0) if from_before else at(piece, 0.0))
    return tuple(points)


def enclosed_area(loop: tuple[Piece, ...]) -> float:
    """Compute the area inside a closed loop, positive if it runs counter-clockwise.

    Formula: ½ ∮ (x dy − y dx) over lines and arcs, exact.

    >>> circle = (Arc((5.0, 1.0), 1.0, 0.0, 180.0), Arc((5.0, 1.0), 1.0, 180.0, 180.0))
    >>> round(enclosed_area(circle), 9)
    3.141592654

    Source: Green's theorem.
    """
    total = 0.0
    for piece in loop:
        (ax, ay), (bx, by) = at(piece, 0.0), at(piece, 1.0)
        total += ax * by - ay * bx
        if isinstance(piece, Arc):
            turn = math.radians(piece.sweep_deg)
            total += piece.radius**2 * (turn - math.sin(turn))
    return total / 2.0


def box(pieces: tuple[Piece, ...]) -> tuple[float, float, float, float]:
    """Find the smallest upright box round pieces.

    Returns:
        Left, right, bottom, top.

    >>> box((Arc((0.0, 0.0), 1.0, 0.0, 180.0),))
    (-1.0, 1.0, 0.0, 1.0)
    """
    points = [point for piece in pieces for point in _outermost(piece)]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return (min(xs), max(xs), min(ys), max(ys))


def _outermost(piece: Piece) -> list[Point2]:
    points = [at(piece, 0.0), at(piece, 1.0)]
    if isinstance(piece, Arc):
        (x, y), r = piece.center, piece.radius
        sides = ((x + r, y), (x, y + r), (x - r, y), (x, y - r))
        points += [side for side in sides if share_of(piece, side) is not None]
    return points


def along(piece: Piece) -> bool:
    """Tell whether a piece's edge runs in the direction of the piece."""
    return isinstance(piece, Line) or piece.sweep_deg > 0


def arc_span(piece: Piece) -> tuple[float, float]:
    """Give the angles between which an arc's edge runs, counter-clockwise, in radians."""
    assert not isinstance(piece, Line)
    first = piece.start_deg if piece.sweep_deg > 0 else piece.start_deg + piece.sweep_deg
    start = math.radians(first % 360.0)
    return start, start + math.radians(abs(piece.sweep_deg))
