"""Build plates read and sliced by a general open slicer, which knows nothing of the project."""

from __future__ import annotations

import re
import zipfile
from collections import Counter

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.core.label.layout import lay_out
from labkit.core.rod.building import Way
from labkit.core.rod.compensation import compensated
from labkit.core.rod.lying import chosen, height_mm
from labkit.documents.lying_words import lying_sentences
from labkit.exports.write.mesh import mesh_of
from labkit.exports.write.plates import PlatePart, plan_plates
from labkit.exports.write.threemf import PlateMetadata, write_plate
from labkit.solids.build import build
from tests.support.rods import rod_of, templates
from tests.support.slicer import KEYS, LAYER_MM, SLICER, WHY, Sliced, info

pytestmark = pytest.mark.skipif(SLICER is None, reason=WHY)

FAMILIES = ("ball-ball-round", "crosspin-eye-flat", "eye-eye-flat")
PIECES = {"31.4": 2, "29.9": 1}
PLACE = ("min_x", "min_y", "size_x", "size_y", "size_z", "min_z")
#: Facets lie inside the surface by 0.005 mm at most, and the slicer's numbers are float32.
SIZE_MM = 0.006


@pytest.fixture(scope="module")
def plates(tmp_path_factory):
    folder, made = tmp_path_factory.mktemp("plates"), {}

    def plate(family, process_name="example-resin"):
        if (family, process_name) not in made:
            path = folder / f"{family}-{process_name}.3mf"
            made[family, process_name] = (path, write(family, processes()[process_name], path))
        return made[family, process_name]

    return plate


def write(family, process, path):
    lying, parts = chosen(templates()[family], process), []
    for length, quantity in PIECES.items():
        rod = rod_of(family, length)
        label = lay_out(load_lettering(), rod.engraving, rod.bar, rod.template.label.height_mm)
        mesh = mesh_of(build(rod, label, process.compensation).solid)
        height = height_mm(
            compensated(rod.template, rod.length, process.compensation), lying.way
        )
        parts.append(PlatePart(
            rod.part, rod.part, mesh.vertices, mesh.triangles, quantity, rod.hand, height,
            lying.way, lying.lift_mm,
        ))
    (plan,) = plan_plates(parts, process.plate)
    write_plate(plan, path, PlateMetadata("QF-1043", "plate", "labkit", "rods", "2031-03-14"))
    return plan


def in_tenths(place):
    return [round(value, 1) for value in place]


@pytest.mark.parametrize("process", ["example-powder", "example-resin"])
@pytest.mark.parametrize("family", FAMILIES)
def test_every_piece_is_read_whole_unrepaired_and_in_its_place(plates, family, process):
    path, plan = plates(family, process)
    told = info(path)
    assert len(told) == sum(PIECES.values())
    for block in told:
        assert tuple(block) == KEYS  # nothing was repaired
        assert (block["manifold"], block["number_of_parts"]) == ("yes", "1")
    seen = [tuple(float(block[key]) for key in PLACE) for block in told]
    wanted = [
        (p.x_mm, p.y_mm, p.width_mm, p.depth_mm, plan.parts[p.part].height_mm, 0.0)
        for p in plan.placements
    ]
    pairs = zip(sorted(seen, key=in_tenths), sorted(wanted, key=in_tenths), strict=True)
    for one, other in pairs:
        assert one == pytest.approx(other, abs=SIZE_MM)
    assert Counter(block["number_of_facets"] for block in told) == Counter(
        str(len(plan.parts[p.part].triangles)) for p in plan.placements
    )


@pytest.mark.parametrize("family", FAMILIES)
def test_pieces_are_counted_and_layers_end_at_the_height_that_the_sheet_tells(plates, family):
    path, plan = plates(family)
    sliced = Sliced(path, supports=family == "eye-eye-flat")
    assert Counter(name.split()[0] for name in sliced.objects) == Counter(
        plan.parts[p.part].name for p in plan.placements
    )
    assert abs(sliced.top_mm - plan.height_mm) <= LAYER_MM
    assert sliced.support_lines == 0  # asked for with eyes, which lie flat; needed by none


def test_balls_that_hang_over_the_bed_get_supports_from_a_slicer(plates):
    path, plan = plates("ball-ball-round", "example-powder")
    assert plan.parts[0].way is Way.FLAT
    assert Sliced(path, supports=True).support_lines > 0


def test_supports_that_a_slicer_adds_by_itself_are_those_that_the_sheet_forbids(plates):
    """The lip of a crosspin carries itself (common practice); a slicer looks at its angle alone."""
    path, plan = plates("crosspin-eye-flat")
    sliced = Sliced(path, supports=True)
    assert sliced.support_lines > 0
    lying = lying_sentences(templates()["crosspin-eye-flat"], processes()["example-resin"],
                            plan.parts[0].way)
    assert lying[2].startswith(
        "No supports are needed: forbid those that a slicer would put under the crosspin by itself."
    )


def test_the_slicer_sees_a_hole(plates, tmp_path):
    path, _ = plates("eye-eye-flat")
    broken = tmp_path / "broken.3mf"
    with zipfile.ZipFile(path) as whole, zipfile.ZipFile(broken, "w") as other:
        for entry in whole.infolist():
            data = whole.read(entry)
            if entry.filename.endswith(".model"):
                data = re.sub(rb"<triangle [^>]*/>", b"", data, count=1)
            other.writestr(entry.filename, data)
    assert any(tuple(block) != KEYS or block["manifold"] != "yes" for block in info(broken))


