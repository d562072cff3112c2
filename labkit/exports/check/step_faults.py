"""What is wrong with a solid read from a STEP file: closedness, senses, curves on their surfaces.

A rod's file is strict where ISO 10303-42 leaves room: curves start and end in their vertices, each
edge is used twice, once each way, each loop has its face on the left, seams lie where their
surface's u begins.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from labkit.exports.check import limits
from labkit.exports.check.facet_groups import groups
from labkit.exports.check.step_courses import FULL_TURN, Courses
from labkit.exports.check.step_solid import LINE, PLANE, SAMPLES, Flags, Numbers
from labkit.exports.expected.base import Array

Fault = Iterator[str]


def fault_of(courses: Courses) -> str:
    """Say the first thing that is wrong with a solid; nothing where all is right."""
    for look in _LOOKS:
        for fault in look(courses):
            return fault
    return ""


def _directions(courses: Courses) -> Fault:
    solid = courses.solid
    if not 0.0 < solid.uncertainty_mm <= limits.STEP_UNCERTAINTY_MM:
        yield f"its points are said to be uncertain by {solid.uncertainty_mm:.3g} mm"
    if not np.isfinite(solid.frames.origin).all():
        yield "a coordinate is no number of a rod"
    off = np.abs(np.linalg.norm(solid.directions, axis=1) - 1.0).max()
    if not off <= limits.STEP_UNIT:
        yield f"a direction is {off:.3g} from a unit vector"
    axes = solid.frames.axes
    lean = np.abs(np.einsum("ij,ij->i", axes[:, 0], axes[:, 2])).max()
    if not lean <= limits.STEP_UNIT:
        yield f"the axes of a placement are {lean:.3g} from a right angle"
    if (solid.vector_lengths != 1.0).any():
        yield "a line's vector is not one long"
    own = solid.frames.axes[solid.place], solid.frames.origin[solid.place]
    if not (np.array_equal(own[0], np.eye(3)) and not own[1].any()):
        yield "the part is not in its own frame"


def _sizes(courses: Courses) -> Fault:
    edges, faces = courses.solid.edges, courses.solid.faces
    circles, curved = edges.kind != LINE, faces.kind != PLANE
    if (edges.radius[circles] < limits.STEP_LEAST_MM).any():
        yield "a circle's radius is nothing or less"
    if (faces.radius[curved] < limits.STEP_LEAST_MM).any() or (faces.tube < 0.0).any():
        yield "a surface's radius is nothing or less"


def _edges(courses: Courses) -> Fault:
    edges = courses.solid.edges
    meets = np.maximum(
        np.linalg.norm(edges.samples[:, 0] - edges.start, axis=1),
        np.linalg.norm(edges.samples[:, -1] - edges.end, axis=1),
    )
    yield from _worst("edge", edges.ids, meets, "ends {:.3g} mm beside its curve")
    against = (edges.kind == LINE) & (edges.span * edges.sense <= 0.0)
    yield from _named("edge", edges.ids, against, "runs against its line")
    length = np.abs(edges.span) * np.where(edges.kind == LINE, 1.0, edges.radius)
    yield from _named("edge", edges.ids, length < limits.STEP_LEAST_MM, "has no length")


def _loops(courses: Courses) -> Fault:
    solid = courses.solid
    edges, uses = solid.edges, solid.uses
    into = edges.ends[uses.edge, np.where(uses.forward, 1, 0)]
    out_of = edges.ends[uses.edge, np.where(uses.forward, 0, 1)]
    ids = tuple(edges.ids[edge] for edge in uses.edge)
    yield from _named("edge", ids, into != out_of[uses.following],
                      "does not end where the next one of its loop begins")
    count = np.bincount(uses.edge, minlength=len(edges.ids))
    yield from _named("edge", edges.ids, count != 2, "is not used twice")
    both = np.bincount(uses.edge, weights=uses.sign, minlength=len(edges.ids))
    yield from _named("edge", edges.ids, both != 0.0, "is used twice the same way")


def _surfaces(courses: Courses) -> Fault:
    uses, edges = courses.solid.uses, courses.solid.edges
    ids = tuple(edges.ids[edge] for edge in uses.edge)
    yield from _worst("edge", ids, courses.away, "lies {:.3g} mm beside the surface of its face")


def _faces(courses: Courses) -> Fault:
    solid = courses.solid
    faces, uses = solid.faces, solid.uses
    open_loops = ~(np.abs(courses.closure).max(axis=1) <= limits.STEP_CLOSED)
    yield from _named("face", tuple(faces.ids[f] for f in uses.loop_face), open_loops,
                      "has a boundary that does not close on its surface")
    outer = courses.loop_areas > 0.0
    count = np.bincount(uses.loop_face, weights=outer, minlength=len(faces.ids))
    area = np.bincount(uses.loop_face, weights=courses.loop_areas, minlength=len(faces.ids))
    yield from _named("face", faces.ids, (count != 1) | ~(area > 0.0),
                      "does not lie on the left of its boundary")
    first, second = _both_uses(courses)
    of_one = uses.face[first] == uses.face[second]
    seams = np.zeros(len(uses.edge), dtype=bool)
    seams[first[of_one]] = seams[second[of_one]] = True
    off = np.abs(np.sin(courses.u / 2.0)).max(axis=1) > limits.STEP_CLOSED
    yield from _named("face", tuple(faces.ids[f] for f in uses.face), seams & off,
                      "has a seam where its surface has none")


def _holes(courses: Courses) -> Fault:
    faces, uses = courses.solid.faces, courses.solid.uses
    count = np.bincount(uses.loop_face, minlength=len(faces.ids))
    for face in np.flatnonzero((count > 1) & (faces.kind == PLANE)).tolist():
        loops = np.flatnonzero(uses.loop_face == face)
        outer = _outline(courses, int(loops[courses.loop_areas[loops] > 0.0][0]), SAMPLES)
        for loop in loops[courses.loop_areas[loops] < 0.0].tolist():
            beside = outer[None] - _outline(courses, loop, 1)[:, None]
            angle = np.arctan2(beside[..., 1], beside[..., 0])
            turned = np.diff(angle, axis=1, append=angle[:, :1])
            turned = np.mod(turned + np.pi, FULL_TURN) - np.pi
            if (np.abs(turned.sum(axis=1)) < np.pi).any():
                yield f"face #{faces.ids[face]} has a hole outside of its boundary"


def _outline(courses: Courses, loop: int, on_arcs: int) -> Array:
    """Give points along a plane face's loop in the face's own x and y, shape (n, 2).

    Args:
        on_arcs: How many points of an arc, from its start; of a line it is one.
    """
    edges, uses = courses.solid.edges, courses.solid.uses
    mine = np.flatnonzero(uses.loop == loop)
    points = edges.samples[uses.edge[mine]]
    points = np.where(uses.forward[mine, None, None], points, points[:, ::-1])
    place = np.arange(SAMPLES)
    line = edges.kind[uses.edge[mine], None] == LINE
    points = points[place < np.where(line, 1, on_arcs)]
    return np.asarray(points @ courses.solid.faces.frames.axes[uses.loop_face[loop], :2].T)


def _whole(courses: Courses) -> Fault:
    solid = courses.solid
    for shell in solid.shells:
        if len(set(shell.tolist())) != len(shell):
            yield "a face is listed twice in the shell"
    uses = solid.uses
    first, second = (uses.face[use] for use in _both_uses(courses))
    if len(set(groups(len(solid.faces.ids), first, second).tolist())) != 1:
        yield "its faces make more than one body"
    if not courses.volume_mm3 > 0.0:
        yield "its faces look inwards"


def _both_uses(courses: Courses) -> tuple[Numbers, Numbers]:
    """Give the two uses of each edge."""
    order = np.argsort(courses.solid.uses.edge, kind="stable")
    return order[::2], order[1::2]


def _worst(noun: str, ids: tuple[str, ...], off_mm: object, says: str) -> Fault:
    values = np.asarray(off_mm)
    # A number that is none is as wrong as a large one.
    worst = int(np.argmax(np.where(np.isnan(values), np.inf, values)))
    if not values[worst] <= limits.STEP_ON_MM:
        yield f"{noun} #{ids[worst]} {says.format(values[worst])}"


def _named(noun: str, ids: tuple[str, ...], wrong: Flags, says: str) -> Fault:
    if wrong.any():
        yield f"{noun} #{ids[int(np.argmax(wrong))]} {says}"


_LOOKS: tuple[Callable[[Courses], Fault], ...] = (
    _directions, _sizes, _edges, _loops, _surfaces, _faces, _holes, _whole,
)
