"""The entities of a STEP file as text, with room for numbers that are filled in later.

A rod's body is written once; what differs from rod to rod are the x of its two ends, and where its
characters stand. So a text keeps the places of those x, and counts its entities from 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.exports.write.solid_parts import (
    Axes,
    Floats,
    SolidEdge,
    SolidFace,
    SolidParts,
    Use,
)

#: Decimals of a written number: a hundred thousandth of the kernel's own point tolerance.
DECIMALS = 12
#: A surface's entity, for its placement and sizes.
_SURFACES = {
    "plane": "PLANE('',#%d)",
    "cylinder": "CYLINDRICAL_SURFACE('',#%d,{radius})",
    "sphere": "SPHERICAL_SURFACE('',#%d,{radius})",
    "torus": "TOROIDAL_SURFACE('',#%d,{radius},{more})",
}


@dataclass(frozen=True)
class MovingParts:
    """A solid, or part of one, whose points move along x.

    Formula: x = x₀ + share · travel.

    Args:
        parts: Where the points are at a travel of `at`.
        shares: Of its points, in the order of `places`; 0 stands still.
    """

    parts: SolidParts
    shares: Floats
    at: float = 0.0


def moving_by(share: float, parts: SolidParts) -> MovingParts:
    """Take a solid of which all moves by the same share, or nothing at all."""
    count = len(parts.vertices) + len(parts.edges) + len(parts.faces)
    return MovingParts(parts, np.full(count, share))


@dataclass(frozen=True)
class StepText:
    """Entities, each on a line of its own.

    Args:
        text: With %s where an x that moves belongs.
        x, shares: x₀ and share of each.
        faces: Numbers of its faces.
        count: How many entities it has.
        bounds: Bounds of a face that is put together elsewhere.
        plane: The surface of that face, -1 where there is none.
    """

    text: str
    x: Floats
    shares: Floats
    faces: tuple[int, ...]
    count: int
    bounds: tuple[int, ...] = ()
    plane: int = -1

    def at(self, travel: float) -> str:
        """Fill in the x at a travel."""
        places = (self.x + self.shares * travel).tolist()
        return self.text % tuple([number(place) for place in places])


@dataclass(frozen=True)
class CountedText:
    """Entities that are counted from 0, with %d where a number belongs, and %%s for an x."""

    text: str
    numbers: NDArray[np.int64]
    x: Floats
    shares: Floats
    faces: tuple[int, ...]
    count: int
    bounds: tuple[int, ...]
    plane: int

    def counted_from(self, first: int) -> StepText:
        """Number the entities."""
        text = self.text % tuple((self.numbers + first).tolist())
        faces, bounds = (
            tuple(first + one for one in every) for every in (self.faces, self.bounds)
        )
        plane = self.plane if self.plane < 0 else first + self.plane
        return StepText(text, self.x, self.shares, faces, self.count, bounds, plane)


def number(value: float) -> str:
    """Write a real number: a decimal point always, no exponent, never −0.

    >>> number(2.0), number(-0.25), number(-1e-17)
    ('2.', '-0.25', '0.')
    """
    text = f"{value:.{DECIMALS}f}".rstrip("0")
    return "0." if text == "-0." else text


def write_parts(
    moving: MovingParts, open_face: int = -1, openings: Sequence[Sequence[Use]] = ()
) -> CountedText:
    """Write every face, with what it stands on.

    Args:
        open_face: A plane face of which only surface and bounds are written, -1 for none.
        openings: Bounds of a plane face of another text, which it shares edges with; the surface's
            own normal points out of the material.

    Source: ISO 10303-42 (geometry and topology), ISO 10303-21:2016.
    """
    entities = _Entities(moving)
    faces: list[int] = []
    bounds = [entities.bound(loop, True) for loop in openings]
    plane = -1
    for index, face in enumerate(moving.parts.faces):
        own = [entities.bound(loop, not face.reversed) for loop in face.loops]
        surface = entities.surface(face, index)
        if index == open_face:
            bounds, plane = own, surface
            continue
        refs, sense = ",".join(["#%d"] * len(own)), ".F." if face.reversed else ".T."
        faces.append(entities.add(f"ADVANCED_FACE('',({refs}),#%d,{sense})", *own, surface))
    x, shares = np.array(entities.places, dtype=np.float64).reshape(-1, 2).T
    return CountedText(
        "".join(entities.lines), np.array(entities.numbers), x, shares, tuple(faces),
        entities.count, tuple(bounds), plane,
    )


class _Entities:
    """Puts entities down, each after those that it names."""

    def __init__(self, moving: MovingParts) -> None:
        self._parts, self._at = moving.parts, moving.at
        counts = np.cumsum((len(moving.parts.vertices), len(moving.parts.edges)))
        self._of_vertices, self._of_edges, self._of_faces = (
            shares.tolist() for shares in np.split(moving.shares, counts)
        )
        self._shared: dict[tuple[object, ...], int] = {}
        self._vertices: dict[int, int] = {}
        self._edges: dict[int, int] = {}
        self.lines: list[str] = []
        self.numbers: list[int] = []
        self.places: list[tuple[float, float]] = []
        self.count = 0

    def add(self, text: str, *refs: int) -> int:
        """Put an entity down."""
        self.lines.append(f"#%d = {text};\n")
        self.numbers += (self.count, *refs)
        self.count += 1
        return self.count - 1

    def bound(self, loop: Sequence[Use], outward: bool) -> int:
        """Put a bound down, with its edges."""
        edges = [self._used(use) for use in loop if not self._is_pole(use.edge)]
        refs = ",".join(["#%d"] * len(edges))
        course = self.add(f"EDGE_LOOP('',({refs}))", *edges)
        return self.add(f"FACE_BOUND('',#%d,{'.T.' if outward else '.F.'})", course)

    def surface(self, face: SolidFace, index: int) -> int:
        """Put a face's surface down."""
        sizes = {"radius": number(face.radius), "more": number(face.more)}
        axes = self._axes(face.axes, self._of_faces[index])
        return self.add(_SURFACES[face.kind].format(**sizes), axes)

    def _used(self, use: Use) -> int:
        if use.edge not in self._edges:
            self._edges[use.edge] = self._edge(use.edge)
        sense = ".T." if use.forward else ".F."
        return self.add(f"ORIENTED_EDGE('',*,*,#%d,{sense})", self._edges[use.edge])

    def _is_pole(self, edge: int) -> bool:
        """Tell an edge without length: a file has no parameters that it would close."""
        one = self._parts.edges[edge]
        return one.axes is None and one.vertices[0] == one.vertices[1]

    def _edge(self, index: int) -> int:
        edge = self._parts.edges[index]
        first, last = (self._vertex(vertex) for vertex in edge.vertices)
        if edge.axes is None:
            curve = self._line(edge)
        else:
            axes = self._axes(edge.axes, self._of_edges[index])
            curve = self.add(f"CIRCLE('',#%d,{number(edge.radius)})", axes)
        return self.add("EDGE_CURVE('',#%d,#%d,#%d,.T.)", first, last, curve)

    def _line(self, edge: SolidEdge) -> int:
        first, last = (self._parts.vertices[vertex] for vertex in edge.vertices)
        away = last - first
        vector = self._once("VECTOR('',#%d,1.)", self._direction(away / math.hypot(*away)))
        start = self._point(first, self._of_vertices[edge.vertices[0]])
        return self.add("LINE('',#%d,#%d)", start, vector)

    def _vertex(self, index: int) -> int:
        if index not in self._vertices:
            place = self._parts.vertices[index]
            point = self._point(place, self._of_vertices[index])
            self._vertices[index] = self.add("VERTEX_POINT('',#%d)", point)
        return self._vertices[index]

    def _axes(self, axes: Axes, share: float) -> int:
        refs = (
            self._point(axes.origin, share), self._direction(axes.z), self._direction(axes.x)
        )
        return self._once("AXIS2_PLACEMENT_3D('',#%d,#%d,#%d)", *refs)

    def _direction(self, way: Floats) -> int:
        x, y, z = (number(one) for one in way.tolist())
        return self._once(f"DIRECTION('',({x},{y},{z}))")

    def _point(self, place: Floats, share: float) -> int:
        x, y, z = (float(one) for one in place)
        if not share:
            return self._once(f"CARTESIAN_POINT('',({number(x)},{number(y)},{number(z)}))")
        start = x - share * self._at
        key = (number(start), share, number(y), number(z))
        if key not in self._shared:
            self.places.append((start, share))
            # Written twice over: once for the numbers of entities, once for the x.
            text = f"CARTESIAN_POINT('',(%%s,{key[2]},{key[3]}))"
            self._shared[key] = self.add(text)
        return self._shared[key]

    def _once(self, text: str, *refs: int) -> int:
        """Put an entity down unless there is one that says the same."""
        key = (text, *refs)
        if key not in self._shared:
            self._shared[key] = self.add(text, *refs)
        return self._shared[key]
