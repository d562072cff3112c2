"""Every row's files open in other programs' readers, as they were delivered.

All rows at 200 lengths, in both hands, some minutes a row; or a part of that, with what each reader
took:

    pytest -m slow -rP tests/exports/test_other_readers.py
    LABKIT_LENGTHS=5 pytest -m slow -rP tests/exports/test_other_readers.py -k eye-eye-flat-slim
"""

from __future__ import annotations

import os
import random
from collections import Counter
from decimal import Decimal
from pathlib import Path

import pytest

from labkit.catalog.processes import processes
from labkit.core.rod.compensation import compensated
from labkit.core.rod.lying import chosen, height_mm
from labkit.core.rod.rods import NOMINAL, Hand, Plate
from labkit.core.rod.volume import rod_volume_mm3
from labkit.exports.expected import expected_ends
from labkit.exports.write.plates import PlatePart, plan_plates
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.threemf import PlateMetadata, write_plate
from tests.support.other_readers import Delivered, read_by_all
from tests.support.rods import ROWS, rod_of, templates, written

LENGTHS = int(os.environ.get("LABKIT_LENGTHS", "200"))
#: Gmsh is started once for so many files.
AT_ONCE = 20
BED = Plate(width_mm=120.0, depth_mm=60.0, spacing_mm=4.0, border_mm=5.0)


def rods_of(row: str, count: int):
    """Give rods at both limits and at lengths between, in hands drawn by lot."""
    template = templates()[row]
    lot = random.Random(f"readers of {row}")
    shortest, longest = int(template.shortest_mm * 10), int(template.longest_mm * 10)
    tenths = [shortest, longest, *(lot.randint(shortest, longest) for _ in range(count))][:count]
    return [
        rod_of(row, str(Decimal(one) / 10 + Decimal("0.0")), lot.choice(list(Hand)))
        for one in tenths
    ]


def delivered(rod, folder: Path) -> Delivered:
    folder.mkdir()
    made = written(rod, folder)
    mesh = rod_shape(rod, made.engraving).mesh()
    lying = chosen(rod.template, processes()["example-resin"])
    height = height_mm(compensated(rod.template, rod.length, NOMINAL), lying.way)
    part = PlatePart(
        rod.part, rod.part, mesh.vertices, mesh.triangles, 1, rod.hand, height, lying.way,
        lying.lift_mm,
    )
    (plan,) = plan_plates([part], BED)
    plate = folder / "plate.3mf"
    write_plate(plan, plate, PlateMetadata(
        "QF-1043", "QF-1043 build plate 1", "labkit", "Connector rods", "2031-03-14"
    ))
    holes = sum(end.holes for end in expected_ends(rod.template))
    volume = rod_volume_mm3(rod, made.engraving, NOMINAL)
    return Delivered(made.step, made.stl, plate, plan, volume, holes)


def read_all(row: str, count: int, folder: Path) -> None:
    rods, seconds = rods_of(row, count), Counter()
    wrong = []
    for first in range(0, len(rods), AT_ONCE):
        several = [
            delivered(rod, folder / str(first + place))
            for place, rod in enumerate(rods[first : first + AT_ONCE])
        ]
        wrong += read_by_all(several, seconds)
        for one in several:
            for path in (one.step, one.stl, one.threemf):
                path.unlink()
    print(row, count, "rods;", ", ".join(
        f"{name} {1000.0 * spent / count:.0f} ms a file" for name, spent in seconds.items()
    ))
    assert wrong == []


def test_a_rod_of_one_row(tmp_path):
    read_all("crosspin-eye-flat-slim", 1, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("row", ROWS)
def test_rods_of_every_row(row, tmp_path):
    read_all(row, LENGTHS, tmp_path)
