"""The bounding box of a solid read from a STEP file, in closed form."""

from __future__ import annotations

import numpy as np

from labkit.exports.check.step_courses import FULL_TURN, Courses
from labkit.exports.check.step_solid import CIRCLE, SPHERE, TORUS, Faces, Numbers
from labkit.exports.expected.base import Array

#: Whole turns of u and v by which a point and its face's boundary may be apart.
_TURNS_U, _TURNS_V = np.array(
    [(u, v) for u in (-1.0, 0.0, 1.0, 2.0) for v in (-1.0, 0.0, 1.0)]
).T

Corners = tuple[tuple[float, ...], tuple[float, ...]]


def bounding_box(courses: Courses) -> Corners:
    """Give the low and high corner of the box round a solid, mm.

    Formula: a plane or cylinder reaches farthest on its edges; a circle where its direction is
    square to an axis, c ± r √(x_i² + y_i²); a sphere or torus also where its normal is along one,
    if that point is within the face.
    """
    edges = courses.solid.edges
    corners = np.concatenate([edges.start, edges.end, _on_circles(courses)])
    low, high = corners.min(axis=0), corners.max(axis=0)
    faces = courses.solid.faces
    bulging = np.flatnonzero((faces.kind == SPHERE) | (faces.kind == TORUS))
    for way, side in ((-1.0, low), (1.0, high)):
        u, v, reach = _tips(faces, bulging, way)
        for which, axis in np.argwhere(way * reach > way * side):
            beyond = way * reach[which, axis] > way * side[axis]
            at = u[which, axis], v[which, axis]
            if beyond and _within(courses, int(bulging[which]), *at):
                side[axis] = reach[which, axis]
    return tuple(map(float, low)), tuple(map(float, high))


def _on_circles(courses: Courses) -> Array:
    """List the outermost points of every circle's arc, shape (n, 3)."""
    edges = courses.solid.edges
    round_ones = np.flatnonzero(edges.kind == CIRCLE)
    x, y = edges.frames.axes[round_ones, 0], edges.frames.axes[round_ones, 1]
    turn = np.arctan2(y, x)
    at = np.concatenate([turn, turn + np.pi], axis=1)
    first, span = edges.first[round_ones, None], edges.span[round_ones, None]
    gone = np.mod((at - first) * np.sign(span), FULL_TURN)
    # Outside of the arc, its start stands for the point.
    at = np.where(gone <= np.abs(span), at, first)
    return edges.points(round_ones, at).reshape(-1, 3)


def _tips(faces: Faces, which: Numbers, way: float) -> tuple[Array, Array, Array]:
    """Give u and v where surfaces' normals are along ±x, ±y, ±z, and how far they reach there.

    Returns:
        Three arrays of shape (surfaces, 3).
    """
    along = way * faces.frames.axes[which]
    across = np.hypot(along[:, 0], along[:, 1])
    torus = (faces.kind[which] == TORUS)[:, None]
    radius, tube = faces.radius[which, None], faces.tube[which, None]
    reach = np.where(torus, tube + radius * across, radius)
    return (
        np.arctan2(along[:, 1], along[:, 0]), np.arctan2(along[:, 2], across),
        np.asarray(faces.frames.origin[which] + way * reach),
    )


def _within(courses: Courses, face: int, u: float, v: float) -> bool:
    """Tell whether a point lies within a face, by the turns of its boundary round it."""
    uses = courses.solid.uses
    mine = np.flatnonzero(uses.face == face)
    line_u, line_v = courses.u[mine].ravel(), courses.v[mine].ravel()
    beside_u = line_u - u - FULL_TURN * _TURNS_U[:, None]
    beside_v = line_v - v - FULL_TURN * _TURNS_V[:, None]
    angle = np.arctan2(beside_v, beside_u)
    turned = np.diff(angle, axis=1, append=angle[:, :1])
    turned = np.mod(turned + np.pi, FULL_TURN) - np.pi
    return bool((np.abs(turned.sum(axis=1)) > np.pi).any())
