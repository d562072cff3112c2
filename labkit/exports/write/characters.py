"""Characters that are engraved: their pockets as text and as mesh, worked out once.

A label's characters differ from rod to rod in their place alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from labkit.core.label.lettering import Drawn, Region
from labkit.core.rod.curves import moved_piece
from labkit.core.rod.outline import outline
from labkit.core.rod.outlines import Loop, region_area_mm2
from labkit.core.rod.rods import Hand
from labkit.exports.write.mesh import (
    CHORD_MM,
    TURN_RAD,
    Mesher,
    Numbers,
    Singles,
    normals_of,
)
from labkit.exports.write.pocket import pocket
from labkit.exports.write.solid_parts import Floats
from labkit.exports.write.stations import Limits
from labkit.exports.write.step_text import CountedText, StepText, moving_by, write_parts


@dataclass(frozen=True)
class Character:
    """What makes a character the same wherever it stands; sizes in mm, v of its cell's corner."""

    drawn: Drawn
    height_mm: float
    corner_v_mm: float
    level_mm: float
    depth_mm: float
    hand: Hand


@dataclass(frozen=True, eq=False)
class Cut:
    """A character's pocket about its cell's corner, as text and as mesh.

    Args:
        openings: Numbers of the corners along its openings in the label face.
    """

    text: CountedText
    points: Floats
    triangles: Numbers
    normals: Singles
    openings: tuple[Numbers, ...]
    volume_mm3: float


@lru_cache(maxsize=512)  # all of one set: 12 kB each
def counted_text(cut: Cut, first: int) -> StepText:
    """Give a character's entities, counted from a number."""
    return cut.text.counted_from(first)


@lru_cache(maxsize=512)
def cut_of(character: Character) -> Cut:
    """Work out a character's pocket as text and as mesh, once."""
    regions = tuple(_regions(character))
    made = pocket(regions, character.level_mm, character.depth_mm, character.hand)
    mesher = Mesher(made.parts, Limits(CHORD_MM, TURN_RAD))
    for index in range(len(made.parts.faces)):
        mesher.add(index)
    mesh = mesher.mesh()
    return Cut(
        write_parts(moving_by(1.0, made.parts), openings=made.openings),
        mesh.vertices, mesh.triangles,
        normals_of(mesh.vertices, mesh.triangles),
        tuple(mesher.corners(loop) for loop in made.openings),
        math.fsum(map(region_area_mm2, regions)) * character.depth_mm,
    )


def _regions(character: Character) -> Iterator[Region]:
    def placed(loop: Loop) -> Loop:
        return tuple(
            moved_piece(piece, character.height_mm, (0.0, character.corner_v_mm)) for piece in loop
        )

    for region in outline(character.drawn.marks, character.drawn.stroke):
        yield Region(placed(region.outer), tuple(placed(hole) for hole in region.holes))
