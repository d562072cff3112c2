"""The label as it stands in a STEP file: its face and floors, as facets for the label reader."""

from __future__ import annotations

import numpy as np

from labkit.exports.check.step_courses import Courses
from labkit.exports.check.step_solid import CIRCLE, PLANE, Numbers
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
    chosen = np.flatnonzero(looks & (faces.kind == PLANE))
    shown = np.flatnonzero(np.isin(uses.face, chosen))
    points, use = _outlines(courses, shown)
    # As someone sees it who looks at the face: z up, x to the right for one on −y.
    flat = points[:, [0, 2]] * (-toward_y, 1.0)
    face, loop = uses.face[use], uses.loop[use]
    corners = [np.zeros((0, 3, 3))]
    for one in chosen:
        first, last = np.searchsorted(face, one), np.searchsorted(face, one, side="right")
        begins = np.flatnonzero(np.diff(loop[first:last])) + 1
        loops = np.split(flat[first:last], begins)
        corners.append(points[first:last][np.asarray(manifold3d.triangulate(loops))])
    together = np.concatenate(corners).reshape(-1, 3)
    numbers = np.arange(len(together), dtype=np.int32)
    return FacetMesh(together, numbers.reshape(-1, 3))


def _outlines(courses: Courses, shown: Numbers) -> tuple[Array, Numbers]:
    """Give the corners of loops with their arcs cut into chords.

    Args:
        shown: Uses of edges, whole loops of them.

    Returns:
        Points, mm, shape (n, 3), and the use on which each lies, without the end of a use.
    """
    edges, uses = courses.solid.edges, courses.solid.uses
    edge = uses.edge[shown]
    radius = np.maximum(edges.radius[edge], CHORD_MM)
    step = np.minimum(TURN_RAD, 2.0 * np.arccos(1.0 - CHORD_MM / radius))
    arcs = np.where(edges.kind[edge] == CIRCLE, np.abs(edges.span[edge]) / step, 1.0)
    count = np.ceil(arcs).astype(np.intp)
    which = np.repeat(np.arange(len(shown)), count)
    shares = (np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)) / count[which]
    shares = np.where(uses.forward[shown][which], shares, 1.0 - shares)
    at = edges.first[edge][which] + edges.span[edge][which] * shares
    return edges.points(edge[which], at[:, None])[:, 0], shown[which]
