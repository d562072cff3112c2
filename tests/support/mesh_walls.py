"""Walls of a part measured on its mesh: straight rays through the material, place by place.

Nothing here knows how thick a wall should be: template sizes only tell where to send the rays.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import trimesh
from numpy.typing import NDArray

from labkit.core.label.place import label_space
from labkit.core.rod.rods import Ball, Crosspin, Eye, Rod
from labkit.exports.write.mesh import CHORD_MM, Mesh

Array = NDArray[np.float64]
#: Surfaces are opposite where both look along the ray to this: a rounded edge is no wall.
OPPOSITE = math.cos(math.radians(12.0))
#: Outside of every part.
FAR_MM = 100.0
#: Odd shares and turns, so that no ray runs into the corners of a mesh or of a letter.
TURNS = np.linspace(0.0, 2 * math.pi, 25)[:-1] + 0.0123
SHARES = np.linspace(0.03, 0.98, 9)
COLUMNS, LINES = np.linspace(-0.4917, 0.4911, 31), np.linspace(-0.49, 0.49, 9) + math.pi / 1000
#: Along the middle of a label, at a part of the width of its strokes; mm.
NEAR_MIDDLE_MM = np.linspace(-2.5, 2.5, 41) + math.pi / 300


class Facets:
    """A mesh as facets that rays are sent through."""

    def __init__(self, corners: Array) -> None:
        self.corners = corners
        self.a, self.u, self.v = corners[:, 0], *(corners[:, k] - corners[:, 0] for k in (1, 2))
        normals = np.cross(self.u, self.v)
        self.normals = normals / np.linalg.norm(normals, axis=1)[:, None]
        self.low, self.high = corners.min(axis=1), corners.max(axis=1)

    def between(self, axis: int, low: float, high: float) -> Facets:
        """Give those that reach between two planes square to an axis; rays there meet no others."""
        return Facets(
            self.corners[(self.low[:, axis] <= high) & (self.high[:, axis] >= low)]
        )

    def pieces(self, start: Array, way: Array, most: int = 99) -> list[tuple[float, float]]:
        """Give where a ray enters and leaves each piece of material whose two sides are opposite.

        Args:
            start: A point outside of the material.
            way: Unit vector.
            most: How many pieces are looked at, from the start.

        Source: Möller and Trumbore, Fast, minimum storage ray/triangle intersection (1997).
        """
        low, high = (side(start, start + 2 * FAR_MM * way) for side in (np.minimum, np.maximum))
        some = np.flatnonzero(((self.low <= high) & (self.high >= low)).all(axis=1))
        u, v, off = self.u[some], self.v[some], start - self.a[some]
        across, turned = np.cross(way, v), np.cross(off, u)
        with np.errstate(divide="ignore", invalid="ignore"):
            flat = 1.0 / np.einsum("ij,ij->i", u, across)
            first, second = np.einsum("ij,ij->i", off, across) * flat, turned @ way * flat
            away = np.einsum("ij,ij->i", v, turned) * flat
            hit = (first >= 0) & (second >= 0) & (first + second <= 1) & (away > 0)
        order = np.argsort(away[hit])
        at, looks = away[hit][order], (self.normals[some][hit] @ way)[order]
        assert len(at) % 2 == 0, "the mesh is open, or a ray runs along an edge"
        assert (looks[::2] < 0).all(), "a facet looks the wrong way"
        return [
            (float(at[k]), float(at[k + 1])) for k in range(0, min(len(at), 2 * most), 2)
            if looks[k] < -OPPOSITE and looks[k + 1] > OPPOSITE
        ]


def sharp_edges(mesh: Mesh, most_deg: float) -> tuple[Array, Array]:
    """Find the edges at which neighbouring facets turn by more than an angle.

    Facets so narrow that their turn moves nothing by more than the mesh's own error are left out.

    Returns:
        Their middles, shape (n, 3), and whether each stands out (else it is a corner within).
    """
    body = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    corners = body.triangles
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    narrow = (2.0 * body.area_faces / longest)[body.face_adjacency].min(axis=1)
    angles = body.face_adjacency_angles
    sharp = (angles > math.radians(most_deg)) & (narrow * np.sin(angles) > 2 * CHORD_MM)
    middles = body.vertices[body.face_adjacency_edges[sharp]].mean(axis=1)
    return middles, body.face_adjacency_convex[sharp]


def thinnest(rod: Rod, mesh: Mesh, length_mm: float) -> dict[str, float]:
    """Measure the thinnest wall at every place that a part has.

    Args:
        length_mm: Its functional length as built.

    Returns:
        Thickness in mm by place; "label" is what is left under the engraving.
    """
    facets, found = Facets(mesh.vertices[mesh.triangles]), dict[str, float]()
    ends = ((-length_mm / 2, rod.template.lower), (length_mm / 2, rod.template.upper))
    walls = list(_across_the_bar(rod, facets, length_mm))
    for x, fitting in ends:
        walls += _ENDS[type(fitting)](rod, facets, x, fitting)
    for place, thickness in walls:
        found[place] = min(found.get(place, math.inf), thickness)
    return found


def _across_the_bar(rod: Rod, facets: Facets, length_mm: float) -> Iterator[tuple[str, float]]:
    """Look from the outward side to the inward face and to the floors of the engraving."""
    body, inward = rod.template.body, float(rod.hand.inward_y)
    floor = FAR_MM + body.label_level_mm - rod.template.label.depth_mm / 2
    room = label_space(rod.template, length_mm)
    columns = (
        *((off, body.height_across_mm) for off in COLUMNS * room.width_mm),
        *((off, rod.template.label.height_mm) for off in NEAR_MIDDLE_MM),
    )
    for x, height in ((room.center_x_mm + off, height) for off, height in columns):
        here = facets.between(0, x, x)
        for z in LINES * height:
            start, way = np.array((x, -inward * FAR_MM, z)), np.array((0.0, inward, 0.0))
            for enters, leaves in here.pieces(start, way, 1):
                yield "label" if leaves < floor else "plate", leaves - enters


def _eye(rod: Rod, facets: Facets, x: float, eye: Eye) -> Iterator[tuple[str, float]]:
    """Look from the bore's axis all round; the first material is what lies round the bore."""
    del eye
    for share in SHARES:
        y = (2 * share - 1) * rod.template.body.outward_mm
        here = facets.between(1, y, y)
        for turn in TURNS:
            way = np.array((math.cos(turn), 0.0, math.sin(turn)))
            for enters, leaves in here.pieces(np.array((x, y, 0.0)), way, 1):
                yield "eye", leaves - enters


def _pin(rod: Rod, facets: Facets, x: float, pin: Crosspin) -> Iterator[tuple[str, float]]:
    """Look across pin and lip at many heights, and through the lip beside the pin."""
    inward, reach = float(rod.hand.inward_y), pin.lip_diameter_mm / 2
    face, tall = rod.template.body.label_level_mm, pin.stands_out_mm
    end = facets.between(0, x - reach, x + reach)
    for share in SHARES:
        y = inward * (face + share * tall)
        here = facets.between(1, y, y)
        for turn in TURNS:
            across = np.array((math.cos(turn), 0.0, math.sin(turn)))
            middle = np.array((x, y, 0.0))
            for enters, leaves in here.pieces(middle - FAR_MM * across, across):
                yield "pin", leaves - enters
            beside = np.array((x, inward * FAR_MM, 0.0)) + share * reach * across
            for enters, leaves in end.pieces(beside, np.array((0.0, -inward, 0.0)), 1):
                yield "lip", leaves - enters


def _neck(rod: Rod, facets: Facets, x: float, ball: Ball) -> Iterator[tuple[str, float]]:
    """Look across neck and ball at many places, from the bar's end to the ball's middle."""
    del rod
    for share in SHARES:
        middle = np.array((x - math.copysign(share * ball.neck_length_mm, x), 0.0, 0.0))
        here = facets.between(0, middle[0], middle[0])
        for turn in TURNS:
            across = np.array((0.0, math.cos(turn), math.sin(turn)))
            for enters, leaves in here.pieces(middle - FAR_MM * across, across):
                yield "neck", leaves - enters


_ENDS: dict[type, Callable[..., Iterator[tuple[str, float]]]] = {
    Eye: _eye, Crosspin: _pin, Ball: _neck,
}
