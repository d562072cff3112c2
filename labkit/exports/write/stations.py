"""Where the edges of a solid are divided, so that neighbouring facets meet corner to corner.

A curved face is meshed as a grid: its boundary is two runs along u and two runs at constant u.
Opposite runs must be divided alike, so edges are joined into groups that are divided alike, and
each group takes the finest division that any of its edges or faces needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from labkit.errors import GeometryError
from labkit.exports.write.solid_parts import Floats, SolidEdge, SolidFace, SolidParts, Use

#: Share of the chord error that each direction of a doubly curved facet may use up: the error of
#: its diagonal is the sum of both.
EACH_WAY = 0.49
#: Chord error of whole cylinders, which bores and pins are: a polygon whose corners lie on them.
#: Its flats are then 0.001 mm nearer together than the bore is wide; gauge pins see no more of it.
CYLINDER_CHORD_MM = 0.0005
#: Chord error of balls: facets of the above would be ten times as many as all others of a rod.
BALL_CHORD_MM = 0.003
#: Finer and finer division of a curved run stops here; a rod needs less than 200.
MOST_PARTS = 4096


@dataclass(frozen=True)
class Limits:
    """What the mesh has to keep.

    Args:
        chord_mm: Greatest distance between facet and surface, mm.
        turn_rad: Greatest turn between neighbouring facets, radians.
    """

    chord_mm: float
    turn_rad: float

    def step_rad(self, radius_mm: float, share: float = 1.0) -> float:
        """Give the greatest step round a circle, infinite for a point.

        Formula: sagitta r (1 − cos(step/2)) within the chord error.

        Args:
            share: Share of the chord error that may be used up.
        """
        if radius_mm <= 0.0:
            return math.inf
        depth = min(1.0, share * self.chord_mm / radius_mm)
        return min(self.turn_rad, 2 * math.acos(1.0 - depth))


@dataclass(frozen=True)
class Grid:
    """A curved face's boundary as four runs, counter-clockwise: along, up, back, down.

    Args:
        up, down: Uses at constant u; one edge each.
    """

    along: tuple[Use, ...]
    up: Use
    back: tuple[Use, ...]
    down: Use


def grid_of(face: SolidFace) -> Grid:
    """Sort a curved face's boundary into four runs.

    Args:
        face: Curved face; its boundary runs along the lines of its parameters.

    Raises:
        GeometryError: The boundary is not that of a grid.
    """
    uses = face.loops[0]
    turns = [index for index, use in enumerate(uses) if use.across]
    if len(face.loops) != 1 or len(turns) != 2:
        raise GeometryError(
            f"a {face.kind} face is not bounded by two lines of its profile; it cannot be meshed"
        )
    first, second = turns
    along = (*uses[second + 1:], *uses[:first])
    return Grid(along, uses[first], uses[first + 1:second], uses[second])


class Stations:
    """Divides the edges of a solid; the grid of a plane is None."""

    def __init__(
        self, solid: SolidParts, grids: tuple[Grid | None, ...], limits: Limits
    ) -> None:
        self._solid = solid
        self._limits = limits
        self._finer = {
            kind: replace(limits, chord_mm=min(limits.chord_mm, chord))
            for kind, chord in (("cylinder", CYLINDER_CHORD_MM), ("sphere", BALL_CHORD_MM))
        }
        self._parent = list(range(len(solid.edges)))
        self._step = [limits.step_rad(edge.radius) for edge in solid.edges]
        self._shared: dict[int, Floats] = {}
        pairs = [(face, grid) for face, grid in zip(solid.faces, grids, strict=True) if grid]
        for face, grid in pairs:
            self._join_opposite(grid)
            self._refine(face, grid)
        self._count = self._counts()
        # Twice: where both domes' rims hold the bar's edges, the finer one divides those for both.
        for _, grid in pairs * 2:
            if len(grid.along) != len(grid.back):
                self._share(grid)

    def of(self, edge: int) -> Floats:
        """Give the parameters at which an edge is divided, ends included."""
        group = self._group(edge)
        first, last = self._solid.edges[edge].span
        shares = self._shared.get(group)
        if shares is None:
            shares = np.linspace(0.0, 1.0, self._count[group] + 1)
        return first + (last - first) * shares

    def _group(self, edge: int) -> int:
        while self._parent[edge] != edge:
            self._parent[edge] = self._parent[self._parent[edge]]
            edge = self._parent[edge]
        return edge

    def _join(self, one: int, other: int) -> None:
        self._parent[self._group(one)] = self._group(other)

    def _join_opposite(self, grid: Grid) -> None:
        self._join(grid.up.edge, grid.down.edge)
        if len(grid.along) == len(grid.back):
            for one, other in zip(grid.along, reversed(grid.back), strict=True):
                self._join(one.edge, other.edge)

    def _refine(self, face: SolidFace, grid: Grid) -> None:
        """Tighten the steps of the edges of fittings and of doubly curved faces."""
        edges = self._solid.edges
        runs = (*grid.along, *grid.back)
        whole = len(runs) == 2 and any(_goes_round(edges[use.edge]) for use in runs)
        limits = self._finer.get(face.kind, self._limits) if whole else self._limits
        if face.kind == "cylinder":
            for use in runs:
                own = limits.step_rad(edges[use.edge].radius)
                self._step[use.edge] = min(self._step[use.edge], own)
        if face.kind not in ("sphere", "torus"):
            return
        widest = max(edges[use.edge].radius for use in runs)
        step = limits.step_rad(face.radius if face.kind == "sphere" else widest, EACH_WAY)
        for use in runs:
            self._step[use.edge] = min(self._step[use.edge], step)
        for use in (grid.up, grid.down):
            own = limits.step_rad(edges[use.edge].radius, EACH_WAY)
            self._step[use.edge] = min(self._step[use.edge], own)

    def _counts(self) -> list[int]:
        counts = [1] * len(self._parent)
        for index, edge in enumerate(self._solid.edges):
            group = self._group(index)
            step = self._step[index]
            if math.isfinite(step):
                need = math.ceil((edge.span[1] - edge.span[0]) / step - 1e-9)
                counts[group] = max(counts[group], need)
        return counts

    def _share(self, grid: Grid) -> None:
        """Divide a full circle at the longitudes at which the run opposite to it is divided.

        The run is the rim of a dome that a flat cuts into: arcs of the equator and the flat's own
        circle. It is its own mirror image, so the direction of the circle does not matter.
        """
        run, single = (grid.along, grid.back) if len(grid.back) == 1 else (grid.back, grid.along)
        group = self._group(single[0].edge)
        step = 2 * math.pi / self._count[group]
        pieces = [self._longitudes(use, step) for use in run]
        joined = np.concatenate([pieces[0], *(piece[1:] for piece in pieces[1:])])
        shares = (joined - joined[0]) / (joined[-1] - joined[0])
        if not np.allclose(shares, 1.0 - shares[::-1], atol=1e-6):
            raise GeometryError("a dome's rim is not its own mirror image; it cannot be meshed")
        self._shared[group] = shares

    def _longitudes(self, use: Use, step: float) -> Floats:
        """Divide one edge of a run until no two longitudes are farther apart than a step."""
        group = self._group(use.edge)
        while True:
            stations = self.of(use.edge)
            longitudes = use.parameters(stations)[:, 0]
            if np.abs(np.diff(longitudes)).max() <= step + 1e-9:
                return longitudes if use.forward else longitudes[::-1]
            self._count[group] = self._count[group] * 5 // 4 + 1
            if self._count[group] > MOST_PARTS:
                raise GeometryError("the rim of a dome cannot be divided finely enough to mesh it")


def _goes_round(edge: SolidEdge) -> bool:
    """Tell a whole circle."""
    return edge.axes is not None and edge.span[1] - edge.span[0] > 2 * math.pi - 1e-9
