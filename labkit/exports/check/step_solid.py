"""The solid in a STEP file as arrays: edges on their curves, faces on their surfaces, loops."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from labkit.exports.check.step_grammar import CURVES, PLACE, SURFACES
from labkit.exports.check.step_reader import Column, StepFile
from labkit.exports.expected.base import Array

#: Points along an edge at which it is looked at: a circle that meets a torus, which is of the
#: fourth degree, at more than eight points lies on it.
SAMPLES = 9
PLANE, CYLINDER, SPHERE, TORUS = range(len(SURFACES))
LINE, CIRCLE = range(len(CURVES))

Numbers = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Frames:
    """Placements: origins (n, 3) and unit vectors x, y, z as rows (n, 3, 3)."""

    origin: Array
    axes: Array

    def take(self, which: Numbers) -> Frames:
        """Give some of them."""
        return Frames(self.origin[which], self.axes[which])


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges from start to end along their curves.

    Args:
        ends: Numbers of the vertices at start and end, shape (n, 2).
        start, end: Where those lie, mm, shape (n, 3).
        kind: LINE or CIRCLE.
        frames: A circle's placement; a line's point and, as x, its direction.
        radius: Of circles, mm; 0 of lines.
        sense: 1 where the edge runs as its curve does, else −1.
    """

    ids: Column
    ends: Numbers
    start: Array
    end: Array
    kind: Numbers
    frames: Frames
    radius: Array
    sense: Array

    @cached_property
    def first(self) -> Array:
        """Parameter of each start: mm along a line, radians round a circle."""
        return self._parameter(self.start)

    @cached_property
    def span(self) -> Array:
        """Change of the parameter from start to end; a whole circle goes round once."""
        to_end = self._parameter(self.end) - self.first
        turn = np.mod(self.sense * to_end, 2.0 * np.pi)
        turn = np.where(self.ends[:, 0] == self.ends[:, 1], 2.0 * np.pi, turn)
        return np.where(self.kind == LINE, to_end, self.sense * turn)

    @cached_property
    def samples(self) -> Array:
        """Points along each edge from start to end, shape (n, SAMPLES, 3)."""
        shares = np.linspace(0.0, 1.0, SAMPLES)
        at = self.first[:, None] + self.span[:, None] * shares
        return self.points(np.arange(len(self.ids)), at)

    def points(self, which: Numbers, at: Array) -> Array:
        """Give points on some edges' curves at parameters (n, m), shape (n, m, 3)."""
        x, y = self.frames.axes[which, 0][:, None], self.frames.axes[which, 1][:, None]
        origin, radius = self.frames.origin[which][:, None], self.radius[which][:, None, None]
        round_it = radius * (np.cos(at)[..., None] * x + np.sin(at)[..., None] * y)
        line = (self.kind[which] == LINE)[:, None, None]
        return np.asarray(origin + np.where(line, at[..., None] * x, round_it), dtype=np.float64)

    def _parameter(self, points: Array) -> Array:
        local = np.einsum("nij,nj->ni", self.frames.axes, points - self.frames.origin)
        turn = np.arctan2(local[:, 1], local[:, 0])
        return np.asarray(np.where(self.kind == LINE, local[:, 0], turn), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Faces:
    """Faces on their surfaces.

    Args:
        kind: PLANE, CYLINDER, SPHERE or TORUS.
        radius: Of a cylinder or sphere, mm; the larger one of a torus; 0 of planes.
        tube: The smaller radius of a torus, mm; 0 of others.
        sense: 1 where the face looks as its surface does (out of its axis or centre), else −1.
    """

    ids: Column
    kind: Numbers
    frames: Frames
    radius: Array
    tube: Array
    sense: Array


@dataclass(frozen=True, eq=False)
class Uses:
    """Edges as the loops of the faces use them, loop after loop.

    Args:
        forward: Whether the loop, as the face has it, runs from the edge's start to its end.
        loop: Number of the loop, rising.
        loop_face: The face of each loop.
    """

    edge: Numbers
    forward: Flags
    loop: Numbers
    loop_face: Numbers

    @cached_property
    def face(self) -> Numbers:
        """The face of each use."""
        return self.loop_face[self.loop]

    @cached_property
    def sign(self) -> Array:
        """1 where a use runs as its edge does, else −1."""
        return np.where(self.forward, 1.0, -1.0)

    @cached_property
    def begins(self) -> Numbers:
        """The first use of each loop."""
        return np.flatnonzero(np.diff(self.loop, prepend=-1))

    @cached_property
    def following(self) -> Numbers:
        """The use that comes after each one in its loop."""
        after = np.arange(1, len(self.loop) + 1)
        after[np.append(self.begins[1:], len(self.loop)) - 1] = self.begins
        return after


@dataclass(frozen=True, eq=False)
class Solid:
    """The boundary of what a STEP file holds.

    Args:
        directions: Every direction of the file, shape (n, 3).
        frames: Every placement of the file, as written; `place` is the number of the part's own.
        vector_lengths: Of the vectors of all lines.
        shells: For each shell, the numbers of its faces.
    """

    uncertainty_mm: float
    directions: Array
    frames: Frames
    place: int
    vector_lengths: Array
    edges: Edges
    faces: Faces
    uses: Uses
    shells: tuple[Numbers, ...]


def solid_of(file: StepFile) -> Solid:
    """Put the entities of a file together by what they refer to, wherever they stand in it."""
    return _Reading(file).solid()


class _Reading:
    """Looks entities up by their numbers."""

    def __init__(self, file: StepFile) -> None:
        self._tables = file.tables
        self._places: dict[str, dict[str, int]] = {}
        self._points = self._triples("CARTESIAN_POINT")
        self._directions = self._triples("DIRECTION")
        point, z, x = self._columns(PLACE, "CARTESIAN_POINT", "DIRECTION", "DIRECTION")
        third, first = self._directions[z], self._directions[x]
        axes = np.stack([first, np.cross(third, first), third], axis=1)
        self._frames = Frames(self._points[point], axes)

    def solid(self) -> Solid:
        """Give the solid."""
        (place, _, _) = self._tables["ADVANCED_BREP_SHAPE_REPRESENTATION"].columns
        shells = self._lists("CLOSED_SHELL", 0, "ADVANCED_FACE")
        uncertainty = float(self._floats("UNCERTAINTY_MEASURE_WITH_UNIT", 0)[0])
        return Solid(
            uncertainty, self._directions, self._frames, self._numbers(place, PLACE)[0],
            self._floats("VECTOR", 1), self._edges(), self._faces(), self._uses(),
            tuple(map(np.array, shells)),
        )

    def _edges(self) -> Edges:
        table = self._tables["EDGE_CURVE"]
        (vertices,) = self._columns("VERTEX_POINT", "CARTESIAN_POINT")
        ends = np.stack(self._columns("EDGE_CURVE", "VERTEX_POINT", "VERTEX_POINT"), axis=1)
        points = self._points[vertices]
        point, vector = self._columns("LINE", "CARTESIAN_POINT", "VECTOR")
        along = self._directions[self._columns("VECTOR", "DIRECTION")[0][vector]]
        axes = np.zeros((len(point), 3, 3))
        axes[:, 0] = along
        circles = self._frames.take(self._columns("CIRCLE", PLACE)[0])
        origin = np.concatenate([self._points[point], circles.origin])
        frames = Frames(origin, np.concatenate([axes, circles.axes]))
        radius = np.concatenate([np.zeros(len(point)), self._floats("CIRCLE", 1)])
        curve, kind = self._among(table.columns[2], CURVES)
        return Edges(
            table.ids, ends, points[ends[:, 0]], points[ends[:, 1]], kind, frames.take(curve),
            radius[curve], _senses(table.columns[3]),
        )

    def _faces(self) -> Faces:
        table = self._tables["ADVANCED_FACE"]
        surface, kind = self._among(table.columns[1], SURFACES)
        places = np.concatenate([self._columns(one, PLACE)[0] for one in SURFACES])
        planes = np.zeros(len(self._tables["PLANE"].ids))
        radius = np.concatenate([planes, *(self._floats(one, 1) for one in SURFACES[1:])])
        tube = self._floats(SURFACES[TORUS], 2)
        tubes = np.concatenate([np.zeros(len(radius) - len(tube)), tube])
        return Faces(
            table.ids, kind, self._frames.take(places[surface]), radius[surface], tubes[surface],
            _senses(table.columns[2]),
        )

    def _uses(self) -> Uses:
        (edge,) = self._columns("ORIENTED_EDGE", "EDGE_CURVE")
        along = _senses(self._tables["ORIENTED_EDGE"].columns[1])
        (loop,) = self._columns("FACE_BOUND", "EDGE_LOOP")
        bound = _senses(self._tables["FACE_BOUND"].columns[1])
        loops = self._lists("EDGE_LOOP", 0, "ORIENTED_EDGE")
        of_faces = self._lists("ADVANCED_FACE", 0, "FACE_BOUND")
        bounds = [one for several in of_faces for one in several]
        oriented = [loops[loop[one]][:: int(bound[one])] for one in bounds]
        uses = np.array([use for several in oriented for use in several], dtype=np.intp)
        numbers = np.repeat(np.arange(len(bounds)), [len(several) for several in oriented])
        faces = np.repeat(np.arange(len(of_faces)), [len(several) for several in of_faces])
        forward = along[uses] * bound[bounds][numbers] > 0.0
        return Uses(edge[uses], forward, numbers, faces)

    def _numbers(self, names: Column, kind: str) -> list[int]:
        place = self._place(kind)
        return [place[name] for name in names]

    def _place(self, kind: str) -> dict[str, int]:
        """Give the place of each entity of a kind in its table."""
        if kind not in self._places:
            self._places[kind] = {name: at for at, name in enumerate(self._tables[kind].ids)}
        return self._places[kind]

    def _columns(self, kind: str, *targets: str) -> list[Numbers]:
        """Give the first columns of a kind as numbers of entities of other kinds."""
        columns = self._tables[kind].columns
        return [
            np.array(self._numbers(column, target), dtype=np.intp)
            for column, target in zip(columns, targets, strict=False)
        ]

    def _among(self, names: Column, kinds: tuple[str, ...]) -> tuple[Numbers, Numbers]:
        """Give places in the tables of several kinds one after another, and which kind."""
        place: dict[str, tuple[int, int]] = {}
        for number, kind in enumerate(kinds):
            for name in self._tables[kind].ids:
                place[name] = (len(place), number)
        found = np.array([place[name] for name in names], dtype=np.intp).reshape(-1, 2)
        return found[:, 0], found[:, 1]

    def _lists(self, kind: str, column: int, target: str) -> list[list[int]]:
        texts = self._tables[kind].columns[column]
        place = self._place(target)
        return [[place[name] for name in text[1:].split(",#")] for text in texts]

    def _floats(self, kind: str, column: int) -> Array:
        return np.array([float(text) for text in self._tables[kind].columns[column]])

    def _triples(self, kind: str) -> Array:
        return np.stack([self._floats(kind, column) for column in range(3)], axis=1)


def _senses(words: Column) -> Array:
    return np.where(np.array(words) == "T", 1.0, -1.0)
