"""How the loops of a solid's faces run in the parameters of their surfaces, and what they enclose.

u goes round a surface's axis from its x; v is the height on a cylinder, the latitude on a sphere,
the angle round the tube of a torus from outside. Both rise to the left of each other as seen from
outside, so a loop that has its face on the left encloses a positive area.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from labkit.exports.check.step_solid import (
    CYLINDER,
    PLANE,
    SPHERE,
    TORUS,
    Flags,
    Numbers,
    Solid,
)
from labkit.exports.expected.base import Array

#: Parameters that differ by less do not change along an edge: 1e-13 of the file over the
#: smallest radius.
STILL = 1e-9
#: Nearer to a sphere's axis than this, mm, a point is its pole.
POLE_MM = 1e-6
#: Steps and places of the integration along an edge whose parameters both change.
PIECES, MOST_PIECES = 4, 256
PLACES, WEIGHTS = np.polynomial.legendre.leggauss(16)
SETTLED = 1e-13
FULL_TURN = 2.0 * np.pi

#: G(v) with ∂G/∂v what is integrated over a surface in u and v, of its kind, radius and tube.
Rise = Callable[[Numbers, Array, Array, Array], Array]


@dataclass(frozen=True, eq=False)
class Courses:
    """What every use of an edge does on its face.

    Args:
        away: Greatest distance of the use's points from the surface, mm.
        round_u: Change of u along it; 0 on planes.
        u, v: Parameters at its points without jumps within the loop, shape (uses, SAMPLES).
        jump: Change of u where the use ends in a sphere's pole, which is no edge of the file.
    """

    solid: Solid
    away: Array
    u: Array
    v: Array
    jump: Array

    @cached_property
    def round_u(self) -> Array:
        """Change of u along each use."""
        return np.asarray(self.u[:, -1] - self.u[:, 0])

    @cached_property
    def closure(self) -> Array:
        """What each loop lacks to close in u and v, shape (loops, 2)."""
        begins = self.solid.uses.begins
        return np.stack([
            np.add.reduceat(self.round_u + self.jump, begins),
            np.add.reduceat(self.v[:, -1] - self.v[:, 0], begins),
        ], axis=1)

    @cached_property
    def vectors(self) -> Array:
        """Each use's part of its face's area as a vector: ½ ∮ x × dx, mm², shape (uses, 3)."""
        edges, uses = self.solid.edges, self.solid.uses
        straight = np.cross(edges.start, edges.end)
        turned = (edges.radius**2 * edges.span)[:, None] * edges.frames.axes[:, 2]
        chord = np.cross(edges.frames.origin, edges.end - edges.start)
        half = np.where((edges.radius > 0.0)[:, None], chord + turned, straight) / 2.0
        return np.asarray(uses.sign[:, None] * half[uses.edge])

    @cached_property
    def loop_areas(self) -> Array:
        """Area that each loop encloses, mm²; negative where it has its face on the right."""
        faces, uses = self.solid.faces, self.solid.uses
        normal = faces.frames.axes[uses.face, 2]
        flat = np.einsum("ij,ij->i", self.vectors, normal)
        signed = np.where(faces.kind[uses.face] == PLANE, flat, self._along(_area))
        return np.asarray(np.add.reduceat(signed * faces.sense[uses.face], uses.begins))

    @cached_property
    def volume_mm3(self) -> float:
        """The volume inside of all faces.

        Formula: 3 V = Σ over faces of ∮ (x − c)·n dA + c·∮ n dA, c the surface's origin.
        """
        faces, uses = self.solid.faces, self.solid.uses
        offset = np.einsum("ij,ij->i", self.vectors, faces.frames.origin[uses.face])
        flux = np.where(faces.kind[uses.face] == PLANE, 0.0, self._along(_flux))
        return float((offset + flux).sum() / 3.0)

    def _along(self, rise: Rise) -> Array:
        """Integrate −G(v) du along each use, the pole after it included; 0 on planes."""
        faces, uses = self.solid.faces, self.solid.uses
        face = uses.face
        kind, radius, tube = faces.kind[face], faces.radius[face], faces.tube[face]
        ends = [rise(kind, radius, tube, self.v[:, place]) for place in (0, -1)]
        sums = -ends[0] * self.round_u
        sums[self._bent] = -self._bent_sums[rise]
        return np.where(kind == PLANE, 0.0, sums - ends[1] * self.jump)

    @cached_property
    def _bent(self) -> Numbers:
        """Uses along which both parameters change."""
        both = (np.ptp(self.u, axis=1) > STILL) & (np.ptp(self.v, axis=1) > STILL)
        return np.flatnonzero(both & (self.solid.faces.kind[self.solid.uses.face] != PLANE))

    @cached_property
    def _bent_sums(self) -> dict[Rise, Array]:
        """The integrals of G(v) du along the bent uses, in ever more pieces until none changes."""
        pieces, last, moving = PIECES, np.full((2, len(self._bent)), np.inf), len(self._bent) > 0
        while moving and pieces <= MOST_PIECES:
            found = self._gauss(pieces)
            moving = not (np.abs(found - last) < SETTLED * (1.0 + np.abs(found))).all()
            pieces, last = pieces * 2, found
        return dict(zip((_area, _flux), last, strict=True))

    def _gauss(self, pieces: int) -> Array:
        """Integrate both G(v) du along the bent uses, shape (2, uses)."""
        edges, faces, uses = self.solid.edges, self.solid.faces, self.solid.uses
        edge, face = uses.edge[self._bent], uses.face[self._bent]
        shares = ((np.arange(pieces)[:, None] + (PLACES + 1.0) / 2.0) / pieces).ravel()
        at = edges.first[edge, None] + edges.span[edge, None] * shares
        turned = at + np.pi / 2.0  # a circle's direction is its point a quarter turn on
        axes = faces.frames.axes[face].transpose(0, 2, 1)
        point = (edges.points(edge, at) - faces.frames.origin[face][:, None]) @ axes
        move = (edges.points(edge, turned) - edges.frames.origin[edge][:, None]) @ axes
        x, y, z = point.transpose(2, 0, 1)
        rate = (x * move[..., 1] - y * move[..., 0]) / (x**2 + y**2) * edges.span[edge, None]
        kind = faces.kind[face, None]
        radius, tube = faces.radius[face, None], faces.tube[face, None]
        v = _height(kind, radius, np.hypot(x, y), z)
        weighed = rate * np.tile(WEIGHTS, pieces) * uses.sign[self._bent, None] / (2.0 * pieces)
        return np.stack([
            (rise(kind, radius, tube, v) * weighed).sum(axis=1) for rise in (_area, _flux)
        ])


def courses_of(solid: Solid) -> Courses:
    """Follow every loop on its surface."""
    edges, faces, uses = solid.edges, solid.faces, solid.uses
    points = edges.samples[uses.edge]
    points = np.where(uses.forward[:, None, None], points, points[:, ::-1])
    face = uses.face
    local = np.matmul(
        points - faces.frames.origin[face][:, None],
        faces.frames.axes[face].transpose(0, 2, 1),
    )
    kind = faces.kind[face][:, None]
    radius, tube = (of[face][:, None] for of in (faces.radius, faces.tube))
    across, height = np.hypot(local[..., 0], local[..., 1]), local[..., 2]
    away = np.select(
        [kind == CYLINDER, kind == SPHERE, kind == TORUS],
        [across - radius, np.hypot(across, height) - radius,
         np.hypot(across - radius, height) - tube],
        height,
    )
    u = np.arctan2(local[..., 1], local[..., 0])
    pole = (kind == SPHERE) & (across < POLE_MM)
    u[:, 0] = np.where(pole[:, 0], u[:, 1], u[:, 0])
    u[:, -1] = np.where(pole[:, -1], u[:, -2], u[:, -1])
    u = np.where(kind == PLANE, 0.0, np.unwrap(u, axis=1))
    v = np.where(kind == PLANE, 0.0, _height(kind, radius, across, height))
    v = np.where(kind == TORUS, np.unwrap(v, axis=1), v)
    jump = _jumps(solid, u, pole[:, -1])
    return Courses(
        solid, np.abs(away).max(axis=1), _joined(solid, u, jump),
        _joined(solid, v, np.zeros(len(v)), kind[:, 0] == TORUS), jump,
    )


def _height(kind: Numbers, radius: Array, across: Array, height: Array) -> Array:
    """Give v."""
    latitude = np.arctan2(height, across)
    tube = np.arctan2(height, across - radius)
    return np.select([kind == SPHERE, kind == TORUS], [latitude, tube], height)


def _jumps(solid: Solid, u: Array, to_pole: Flags) -> Array:
    """Give the change of u at poles: what the rest of the loop lacks to close."""
    uses = solid.uses
    lack = -np.add.reduceat(u[:, -1] - u[:, 0], uses.begins)
    poles = np.add.reduceat(to_pole.astype(np.float64), uses.begins)
    return np.where(to_pole, (lack / np.maximum(poles, 1.0))[uses.loop], 0.0)


def _joined(solid: Solid, values: Array, jump: Array, periodic: Flags | None = None) -> Array:
    """Add whole turns, so that each use begins where the one before it in its loop ended."""
    uses = solid.uses
    before = np.empty(len(values), dtype=np.intp)
    before[uses.following] = np.arange(len(values))
    turns = np.round((values[before, -1] + jump[before] - values[:, 0]) / FULL_TURN)
    if periodic is not None:
        turns = np.where(periodic, turns, 0.0)
    turns[uses.begins] = 0.0
    sums = np.cumsum(turns)
    sums -= sums[uses.begins][uses.loop]
    return np.asarray(values + FULL_TURN * sums[:, None])


def _area(kind: Numbers, radius: Array, tube: Array, v: Array) -> Array:
    """Give G of the area itself."""
    return np.select(
        [kind == CYLINDER, kind == SPHERE],
        [radius * v, radius**2 * np.sin(v)],
        tube * (radius * v + tube * np.sin(v)),
    )


def _flux(kind: Numbers, radius: Array, tube: Array, v: Array) -> Array:
    """Give G of (x − c)·n, c the surface's origin, n its normal out of its axis or centre."""
    around = (radius**2 + tube**2) * np.sin(v)
    bulge = radius * tube * (1.5 * v + np.sin(2.0 * v) / 4.0)
    return np.select(
        [kind == CYLINDER, kind == SPHERE],
        [radius**2 * v, radius**3 * np.sin(v)],
        tube * (around + bulge),
    )
