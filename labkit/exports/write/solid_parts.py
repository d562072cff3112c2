"""A solid as plain numbers: vertices, edges, faces, and the edges' courses in the surfaces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Course(Protocol):
    """A curve in a surface's parameters."""

    def Value(self, station: float, /) -> Any:  # noqa: N802 - the kernel's name
        """Give the parameters at one station, as a point with X() and Y()."""


@dataclass(frozen=True)
class Axes:
    """A coordinate system: origin and unit vectors, each of shape (3,)."""

    origin: Floats
    x: Floats
    y: Floats
    z: Floats


@dataclass(frozen=True)
class SolidEdge:
    """An edge.

    Args:
        vertices: Numbers of its first and last vertex.
        span: First and last parameter: angle on circles, length on lines.
        radius: Radius of a circle in mm, 0 for lines and for a sphere's pole.
        axes: Of a circle, None otherwise.
    """

    vertices: tuple[int, int]
    span: tuple[float, float]
    radius: float
    axes: Axes | None


@dataclass(frozen=True)
class Use:
    """An edge as part of a face's boundary.

    Args:
        course: Its curve in the surface's parameters, None on planes.
        origin: u and v of a straight course at parameter 0.
        step: Change of u and v with the parameter on a straight course, None on a curved one.
    """

    edge: int
    forward: bool
    course: Course | None
    origin: tuple[float, float]
    step: tuple[float, float] | None

    @property
    def across(self) -> bool:
        """Whether it runs at constant u (a line of the surface's profile)."""
        return self.step is not None and abs(self.step[0]) < 0.5

    def parameter(self, station: float) -> tuple[float, float]:
        """Give (u, v) at one station of the edge's parameter."""
        if self.step is not None:
            (u, v), (du, dv) = self.origin, self.step
            return u + station * du, v + station * dv
        assert self.course is not None
        point = self.course.Value(station)
        return point.X(), point.Y()

    def parameters(self, stations: Floats) -> Floats:
        """Give (u, v) at stations of the edge's parameter, shape (N, 2)."""
        if self.step is not None:
            straight: Floats = np.asarray(self.origin) + stations[:, None] * np.asarray(self.step)
            return straight
        return np.array([self.parameter(float(station)) for station in stations])


@dataclass(frozen=True)
class SolidFace:
    """A face: its surface's kind and sizes, and its boundaries.

    Args:
        kind: "plane", "cylinder", "sphere" or "torus".
        radius: Cylinder, sphere or torus ring, mm.
        more: Tube radius of a torus in mm, else 0.
        reversed: Whether the outward normal is against the surface's own.
        loops: Boundaries, outer first, counter-clockwise in the surface's parameters.
    """

    kind: str
    axes: Axes
    radius: float
    more: float
    reversed: bool
    loops: tuple[tuple[Use, ...], ...]

    def points(self, uv: Floats) -> Floats:
        """Give points at parameters, shape (…, 2) to (…, 3)."""
        u, v = uv[..., 0, None], uv[..., 1, None]
        if self.kind == "cylinder":
            ring, rise = np.full_like(v, self.radius), v
        elif self.kind == "sphere":
            ring, rise = self.radius * np.cos(v), self.radius * np.sin(v)
        else:
            ring, rise = self.radius + self.more * np.cos(v), self.more * np.sin(v)
        axes = self.axes
        turned = np.cos(u) * axes.x + np.sin(u) * axes.y
        points: Floats = axes.origin + ring * turned + rise * axes.z
        return points


@dataclass(frozen=True)
class SolidParts:
    """A solid read: positions of its vertices, its edges and faces."""

    vertices: Floats
    edges: tuple[SolidEdge, ...]
    faces: tuple[SolidFace, ...]
