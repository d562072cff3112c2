"""The label as it stands in a STEP file: its face and floors, as facets for the label reader."""

from __future__ import annotations

import numpy as np

from labkit.exports.check.step_courses import Courses
from labkit.exports.check.step_solid import PLANE
from labkit.exports.check.stl_reader import FacetMesh
from labkit.exports.expected.base import Array

#: Chords on the strokes' round ends: far below a pixel of the label reader.
CHORD_MM = 0.01
TURN_RAD = 0.5
#: A face looks along y when its normal leaves y by less than this sine.
TILT = 1e-6


def facing_facets(courses: Courses, toward_y: int) -> FacetMesh:
    """Cut the plane faces that look along ±y into facets, counter-clockwise from outside."""
    import manifold3d

    faces, uses = courses.solid.faces, courses.solid.uses
    looks = faces.sense * faces.frames.axes[:, 2, 1] * toward_y > 1.0 - TILT
    corners = [np.zeros((0, 3, 3))]
    for face in np.flatnonzero(looks & (faces.kind == PLANE)):
        bounds = np.flatnonzero(uses.loop_face == face).tolist()
        loops = [_outline(courses, loop) for loop in bounds]
        # As someone sees it who looks at the face: z up, x to the right for one on −y.
        flat = [loop[:, [0, 2]] * (-toward_y, 1.0) for loop in loops]
        corners.append(np.concatenate(loops)[np.asarray(manifold3d.triangulate(flat))])
    points = np.concatenate(corners).reshape(-1, 3)
    return FacetMesh(points, np.arange(len(points), dtype=np.int32).reshape(-1, 3))


def _outline(courses: Courses, loop: int) -> Array:
    """Give the corners of a loop with its arcs cut into chords, shape (n, 3)."""
    edges, uses = courses.solid.edges, courses.solid.uses
    pieces = []
    for use in np.flatnonzero(uses.loop == loop):
        edge = int(uses.edge[use])
        radius, span = edges.radius[edge], edges.span[edge]
        step = min(TURN_RAD, 2.0 * np.arccos(1.0 - min(1.0, CHORD_MM / radius))) if radius else 0.0
        count = int(np.ceil(abs(span) / step)) if step else 1
        shares = np.arange(count) / count if uses.forward[use] else 1.0 - np.arange(count) / count
        at = edges.first[edge] + span * shares
        pieces.append(edges.points(np.array([edge]), at[None])[0])
    return np.concatenate(pieces)
