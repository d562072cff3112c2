"""Walls by place, measured on the meshes that go to the machine, against the least ones."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.core.label.layout import lay_out
from labkit.core.label.place import remaining_wall_mm
from labkit.core.rod.rods import NOMINAL, Compensation, Hand, Rod
from labkit.core.rod.walls import walls_of
from labkit.exports.write.mesh import mesh_of
from labkit.solids.build import BuiltRod, build
from tests.support.mesh_walls import sharp_edges, thinnest
from tests.support.rods import ROWS, rod_of, templates

PROCESSES = processes()
RANDOM_LENGTHS = 200
#: Facets lie within 0.005 mm of their surface, on either side of a wall.
CHORDS_MM = 0.0101


def built(rod: Rod, by: Compensation = NOMINAL) -> BuiltRod:
    engraving = lay_out(load_lettering(), rod.engraving, rod.bar, rod.template.label.height_mm)
    return build(rod, engraving, by)


def measured(rod: Rod, by: Compensation = NOMINAL) -> dict[str, float]:
    made = built(rod, by)
    return thinnest(rod, mesh_of(made.solid), made.length_mm)


def require_walls(rod: Rod, process) -> None:
    found = measured(rod, process.compensation)
    assert set(found) == {"label", *(wall.place for wall in walls_of(rod.template))}
    for place, thickness in found.items():
        least = process.legibility.least_wall_mm
        if place != "label":
            least = process.walls.least_mm(place, least)
        assert thickness > max(least, rod.template.least_wall_mm or 0.0) - CHORDS_MM, place


def lengths_of(row: str) -> list[str]:
    """Both limits of a row and random lengths on the 0.1 mm grid."""
    template = templates()[row]
    low, high = int(template.shortest_mm * 10), int(template.longest_mm * 10)
    chosen = random.Random(f"walls of {row}").sample(range(low, high + 1), RANDOM_LENGTHS)
    return [str(Decimal(tenths) / 10 + Decimal("0.0")) for tenths in (low, high, *chosen)]


@pytest.mark.parametrize("process", PROCESSES)
@pytest.mark.parametrize("row", ROWS)
def test_walls_on_the_mesh_are_above_the_least(row, process):
    """A sample: the shortest rod and one of 200 lengths."""
    short, _, other, *_ = lengths_of(row)
    for hand, length in ((Hand.MINUS_Y, short), (Hand.PLUS_Y, other)):
        require_walls(rod_of(row, length, hand), PROCESSES[process])


@pytest.mark.slow
@pytest.mark.parametrize("process", PROCESSES)
@pytest.mark.parametrize("row", ROWS)
def test_walls_on_every_mesh_are_above_the_least(row, process):
    for number, length in enumerate(lengths_of(row)):
        hand = Hand.PLUS_Y if number % 2 else Hand.MINUS_Y
        require_walls(rod_of(row, length, hand), PROCESSES[process])


@pytest.mark.parametrize("row", ROWS)
def test_the_mesh_is_as_thick_as_the_formulas_say(row):
    """Two roads: rays through the facets, and the sizes by which a template is refused."""
    rod = rod_of(row, "33.6")
    found, told = measured(rod), {"label": remaining_wall_mm(rod.template)}
    for wall in walls_of(rod.template):
        told[wall.place] = min(told.get(wall.place, 99.0), wall.thickness_mm)
    # A ray beside the middle of a round bar is shorter than one through it.
    assert found == pytest.approx(told, rel=0.025)


THIN = [
    ("eye-eye-flat", "upper", {"boss_diameter_mm": 6.6, "bore_diameter_mm": 4.7}, "eye", 0.95),
    ("eye-eye-flat", "body", {"thickness_mm": 1.3}, "plate", 1.3),
    ("crosspin-eye-flat", "lower", {"pin_diameter_mm": 1.1}, "pin", 1.1),
    ("crosspin-eye-flat", "lower", {"lip_thickness_mm": 0.7}, "lip", 0.7),
    ("ball-ball-round", "lower", {"neck_diameter_mm": 0.9}, "neck", 0.9),
    ("ball-ball-round-slim", "body", {"diameter_mm": 4.8, "flat_depth_mm": 0.9}, "plate", 3.9),
]


@pytest.mark.parametrize(("row", "part", "sizes", "place", "thick"), THIN)
def test_a_wall_that_is_thinner_is_seen_on_the_mesh(row, part, sizes, place, thick):
    rod = rod_of(row, "33.6")
    changed = replace(getattr(rod.template, part), **sizes)
    found = measured(replace(rod, template=replace(rod.template, **{part: changed})))
    assert found[place] == pytest.approx(thick, rel=0.025)


@pytest.mark.parametrize("hand", Hand)
@pytest.mark.parametrize("row", ROWS)
def test_no_edge_that_meets_the_cheek_is_sharp(row, hand):
    """Facets of a round turn by less than 30°; sharp are the label's edges and rims of bores."""
    rod = rod_of(row, "33.6", hand)
    template, half = rod.template, float(rod.length) / 2
    middles, outward = sharp_edges(mesh_of(built(rod).solid), 32.0)
    level = rod.hand.inward_y * middles[:, 1] - template.body.label_level_mm
    at_label = np.abs(level + template.label.depth_mm / 2) < template.label.depth_mm / 2 + 1e-6
    known = at_label & (np.abs(middles[:, 0]) < half)
    for x, fitting in ((-half, template.lower), (half, template.upper)):
        away = np.hypot(middles[:, 0] - x, middles[:, 2])
        if fitting.bored:
            known |= np.abs(away - fitting.diameter_mm / 2) < CHORDS_MM
        if fitting.lipped:  # nor is the root a corner
            assert not (np.abs(away - fitting.diameter_mm / 2) < CHORDS_MM)[level < 1.0].any()
    assert known.any()
    assert not (outward & ~known).any()
