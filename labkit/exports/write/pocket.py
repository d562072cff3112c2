"""The pocket of one character as plain numbers: walls, floor and islands about its own left end.

Loops run with the material on their left, as everywhere: the outer loop clockwise, an island
counter-clockwise, seen by the label's reader.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.label.lettering import Line, Piece, Region
from labkit.core.rod.curves import along, arc_span, loop_vertices
from labkit.core.rod.outlines import Loop, turned
from labkit.core.rod.rods import Hand
from labkit.exports.write.solid_parts import (
    Axes,
    Floats,
    SolidEdge,
    SolidFace,
    SolidParts,
    Use,
)


@dataclass(frozen=True)
class Pocket:
    """The faces that a character adds, and its openings in the label face."""

    parts: SolidParts
    openings: tuple[tuple[Use, ...], ...]


def pocket(regions: Sequence[Region], level_mm: float, depth_mm: float, hand: Hand) -> Pocket:
    """Work out a character's pocket.

    Args:
        regions: Its outline, u to the reader's right, v up.
        level_mm: n of the label face.
    """
    making = _Making(hand, level_mm, depth_mm)
    for region in regions:
        making.let_in(region)
    parts = SolidParts(np.array(making.vertices), tuple(making.edges), tuple(making.faces))
    return Pocket(parts, tuple(making.openings))


@dataclass(frozen=True)
class _Ring:
    """A loop at one height: numbers of its vertices and of its edges."""

    vertices: tuple[int, ...]
    edges: tuple[int, ...]

    def uses(self, loop: Loop, forward: bool) -> tuple[Use, ...]:
        """Give its edges in the order of the loop, or all the other way round, in a plane."""
        uses = tuple(
            _flat(edge, along(piece) is forward)
            for edge, piece in zip(self.edges, loop, strict=True)
        )
        return uses if forward else uses[::-1]


class _Making:
    """A pocket in the making, in the rod's frame (x = −i u, y = i n, z = v)."""

    def __init__(self, hand: Hand, level_mm: float, depth_mm: float) -> None:
        self._i = hand.inward_y
        self._top, self._depth = level_mm, depth_mm
        self.vertices: list[Floats] = []
        self.edges: list[SolidEdge] = []
        self.faces: list[SolidFace] = []
        self.openings: list[tuple[Use, ...]] = []

    def let_in(self, region: Region) -> None:
        """Let one region in."""
        floor: list[tuple[Use, ...]] = []
        for index, outline in enumerate((region.outer, *region.holes)):
            loop = turned(outline)
            low, high = self._ring(loop, self._top - self._depth), self._ring(loop, self._top)
            self._walls(loop, low, high)
            floor.append(low.uses(loop, False))
            opening = high.uses(loop, True)
            if index == 0:
                self.openings.append(opening)
            else:
                self._flat_face(self._top, (opening,))
        self._flat_face(self._top - self._depth, tuple(floor))

    def _point(self, u: float, v: float, n: float) -> Floats:
        return np.array((-self._i * u, self._i * n, v))

    def _ring(self, loop: Loop, height: float) -> _Ring:
        first = len(self.vertices)
        self.vertices += [self._point(u, v, height) for u, v in loop_vertices(loop)]
        vertices, edges = tuple(range(first, len(self.vertices))), []
        for index, piece in enumerate(loop):
            ends = vertices[index], vertices[(index + 1) % len(loop)]
            edges.append(self._edge(piece, height, ends))
        return _Ring(vertices, tuple(edges))

    def _edge(self, piece: Piece, height: float, ends: tuple[int, int]) -> int:
        if isinstance(piece, Line):
            edge = SolidEdge(ends, (0.0, math.dist(piece.start, piece.end)), 0.0, None)
        else:
            ends = ends if along(piece) else (ends[1], ends[0])
            axes = self._upright((*piece.center, height))
            edge = SolidEdge(ends, arc_span(piece), piece.radius, axes)
        self.edges.append(edge)
        return len(self.edges) - 1

    def _upright(self, origin: tuple[float, float, float]) -> Axes:
        """Give the axes of what turns about n: angles from u towards v."""
        return self._axes(origin, (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))

    def _axes(
        self, origin: Sequence[float], main: Sequence[float], first: Sequence[float]
    ) -> Axes:
        z, x = self._point(*main), self._point(*first)
        across = np.array((
            z[1] * x[2] - z[2] * x[1], z[2] * x[0] - z[0] * x[2], z[0] * x[1] - z[1] * x[0]
        ))
        return Axes(self._point(*origin), x, across, z)

    def _flat_face(self, height: float, loops: tuple[tuple[Use, ...], ...]) -> None:
        axes = self._upright((0.0, 0.0, height))
        self.faces.append(SolidFace("plane", axes, 0.0, 0.0, False, loops))

    def _walls(self, loop: Loop, low: _Ring, high: _Ring) -> None:
        posts = []
        for ends in zip(low.vertices, high.vertices, strict=True):
            self.edges.append(SolidEdge(ends, (0.0, self._depth), 0.0, None))
            posts.append(len(self.edges) - 1)
        for index, piece in enumerate(loop):
            sides = (posts[index], posts[(index + 1) % len(posts)])
            bounds = (low.edges[index], high.edges[index])
            wall = self._plane_wall if isinstance(piece, Line) else self._round_wall
            self.faces.append(wall(piece, bounds, sides))

    def _plane_wall(
        self, piece: Piece, bounds: tuple[int, int], sides: tuple[int, int]
    ) -> SolidFace:
        assert isinstance(piece, Line)
        length = math.dist(piece.start, piece.end)
        du, dv = ((b - a) / length for a, b in zip(piece.start, piece.end, strict=True))
        foot = (*piece.start, self._top - self._depth)
        axes = self._axes(foot, (dv, -du, 0.0), (du, dv, 0.0))
        (low, high), (first, last) = bounds, sides
        loop = (_flat(low, True), _flat(last, True), _flat(high, False), _flat(first, False))
        return SolidFace("plane", axes, 0.0, 0.0, False, (loop,))

    def _round_wall(
        self, piece: Piece, bounds: tuple[int, int], sides: tuple[int, int]
    ) -> SolidFace:
        assert not isinstance(piece, Line)
        axes = self._upright((*piece.center, self._top - self._depth))
        start, end = arc_span(piece)
        first, last = sides if along(piece) else (sides[1], sides[0])
        loop = (
            Use(bounds[0], True, None, (0.0, 0.0), (1.0, 0.0)),
            Use(last, True, None, (end, 0.0), (0.0, 1.0)),
            Use(bounds[1], False, None, (0.0, self._depth), (1.0, 0.0)),
            Use(first, False, None, (start, 0.0), (0.0, 1.0)),
        )
        return SolidFace("cylinder", axes, piece.radius, 0.0, not along(piece), (loop,))


def _flat(edge: int, forward: bool) -> Use:
    return Use(edge, forward, None, (0.0, 0.0), None)
