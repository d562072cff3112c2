"""Geometry of a STEP file from its parsed entities, without any geometry kernel."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from steputils import p21


class StepEntities:
    """A STEP file as steputils parses it."""

    def __init__(self, path: Path) -> None:
        self.file = p21.readfile(str(path))
        self.instances = self.file.data[0].instances

    def header(self, name: str) -> tuple:
        return tuple(self.file.header.entities[name].params)

    def named(self, name: str) -> list[tuple]:
        return [
            one.entity.params for one in self.instances.values()
            if p21.is_simple_entity_instance(one) and one.entity.name == name
        ]

    def cylinders(self) -> list[tuple[np.ndarray, np.ndarray, float]]:
        """Axis point, direction and radius of every CYLINDRICAL_SURFACE."""
        return [(*self._place(p[1]), p[2]) for p in self.named("CYLINDRICAL_SURFACE")]

    def spheres(self) -> list[tuple[np.ndarray, float]]:
        return [(self._place(p[1])[0], p[2]) for p in self.named("SPHERICAL_SURFACE")]

    def _params(self, reference) -> tuple:
        return self.instances[reference].entity.params

    def _place(self, reference) -> tuple[np.ndarray, np.ndarray]:
        _, point, axis, _ = self._params(reference)
        return np.array(self._params(point)[1]), np.array(self._params(axis)[1])


def axis_distance(entities: StepEntities, lower_radius: float, upper_radius: float) -> float:
    """Distance of the outermost axes along y that carry cylinders of these radii."""
    lower, upper = [], []
    for point, axis, radius in entities.cylinders():
        if abs(abs(axis[1]) - 1.0) > 1e-12:
            continue
        if abs(radius - lower_radius) < 1e-9:
            lower.append(point)
        if abs(radius - upper_radius) < 1e-9:
            upper.append(point)
    low = min(lower, key=lambda point: point[0])
    high = max(upper, key=lambda point: point[0])
    return float(np.hypot(high[0] - low[0], high[2] - low[2]))


def ball_distance(entities: StepEntities, radius: float) -> float:
    """Distance of the outermost spheres of this radius."""
    centers = [center for center, r in entities.spheres() if abs(r - radius) < 1e-9]
    low, high = (pick(centers, key=lambda c: c[0]) for pick in (min, max))
    return float(np.linalg.norm(high - low))
