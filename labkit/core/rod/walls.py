"""The thinnest sections of a rod, held against what a process can build."""

from __future__ import annotations

from collections.abc import Iterator

from labkit.core.numbers import NOISE_MM
from labkit.core.rod.fittings.base import Wall
from labkit.core.rod.rods import Process, RodTemplate
from labkit.errors import GeometryError
from labkit.units import plain


def walls_of(template: RodTemplate) -> Iterator[Wall]:
    """Give every section of a template that can be too thin, but the one under its label."""
    yield Wall("plate", "in the bar", template.body.plate_mm)
    for name, fitting in (("lower", template.lower), ("upper", template.upper)):
        for wall in fitting.walls:
            yield Wall(wall.place, f"{wall.what} ({name} end)", wall.thickness_mm)


def check_walls(template: RodTemplate, process: Process) -> None:
    """Refuse a template whose rods would be too thin somewhere for a process.

    Raises:
        GeometryError: The place, its size, and what the process needs there.
    """
    for wall in walls_of(template):
        built = process.walls.least_mm(wall.place, process.legibility.least_wall_mm)
        least, who = max(
            (built, f"process {process.name}"), (template.least_wall_mm or 0.0, "the template")
        )
        if wall.thickness_mm < least - NOISE_MM:
            raise GeometryError(
                f"a rod of {template.name} is {plain(round(wall.thickness_mm, 3))} mm thick "
                f"{wall.what}, but {who} needs at least {plain(least)} mm there; choose another "
                "template or process",
                field=wall.place, value=wall.thickness_mm, allowed=f"at least {plain(least)} mm",
            )
