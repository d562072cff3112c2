"""3MF build plates: read by lib3mf strictly, by a plain XML reader, and with faults put in.

Rods of every row: pytest -m slow tests/exports/test_threemf.py
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import subprocess
import sys
import zipfile
from xml.etree import ElementTree

import lib3mf
import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.label.place import lay_out_rod
from labkit.core.rod.building import Way
from labkit.core.rod.compensation import nominal_sizes
from labkit.core.rod.lying import height_mm
from labkit.core.rod.rods import Hand, Plate
from labkit.errors import DeliveryError
from labkit.exports.check.plate import check_plate
from labkit.exports.check.stl_reader import read_stl
from labkit.exports.write.plates import PlatePart, plan_plates
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.threemf import PlateMetadata, write_plate
from tests.support.rods import ROWS, rod_of
from tests.support.sample_parts import EYE_EYE, PIN_EYE, made, rod

ABOUT = PlateMetadata("QF-1043", "QF-1043 build plate 1", "labkit", "Connector rods", "2031-03-14")
BED = Plate(width_mm=100.0, depth_mm=60.0, spacing_mm=4.0, border_mm=5.0)
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
PRODUCTION = "{http://schemas.microsoft.com/3dmanufacturing/production/2015/06}"


@pytest.fixture(scope="module")
def parts():
    found = []
    for part, quantity in ((rod(EYE_EYE, "33.6", bar=True), 2), (rod(PIN_EYE, "41.7"), 1)):
        mesh = read_stl(made(part)[1])
        height = height_mm(nominal_sizes(part), Way.FLAT)
        number = f"QF-1043 {part.part}"
        found.append(
            PlatePart(
                part.part, number, mesh.vertices, mesh.triangles, quantity, part.hand, height
            )
        )
    return found


@pytest.fixture(scope="module")
def plan(parts):
    (plan,) = plan_plates(parts, BED)
    return plan


@pytest.fixture(scope="module")
def path(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("plate") / "plate.3mf"
    write_plate(plan, path, ABOUT)
    return path


def failed(check):
    return {one.name for one in check.checks if not one.passed}


def test_a_right_plate_passes_every_check(path, plan):
    check = check_plate(path, plan)
    assert check.failures == ()
    assert check.passed
    assert check.warnings == ()
    report = json.loads(json.dumps(check.to_json(), allow_nan=False))
    assert report["passed"] is True
    pieces = next(one for one in report["checks"] if one["name"] == "pieces")
    assert sorted(pieces["measured"].split(", ")) == ["1 × 41.7L", "2 × 33.6"]


def model_of(path):
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        return ElementTree.fromstring(package.read("3D/3dmodel.model"))


def test_the_package_by_a_plain_xml_reader(path, plan):
    # 3MF core specification: name space, unit, metadata, objects, build items.
    model = model_of(path)
    assert model.tag == CORE + "model"
    assert model.get("unit") == "millimeter"
    told = {one.get("name"): one.text for one in model.iter(CORE + "metadata")}
    assert told["Title"] == "QF-1043 build plate 1"
    assert told["CreationDate"] == "2031-03-14"
    objects = list(model.iter(CORE + "object"))
    assert [one.get("name") for one in objects] == [part.name for part in plan.parts]
    assert [one.get("partnumber") for one in objects] == [part.number for part in plan.parts]
    assert all(one.get("type") == "model" and int(one.get("id")) > 0 for one in objects)
    items = list(model.iter(CORE + "item"))
    assert len(items) == 3
    identifiers = [one.get(PRODUCTION + "UUID") for one in [*objects, *items]]
    assert len(set(identifiers)) == len(identifiers) == 5
    with zipfile.ZipFile(path) as package:
        types = package.read("[Content_Types].xml").decode()
        relations = package.read("_rels/.rels").decode()
    assert "application/vnd.ms-package.3dmanufacturing-3dmodel+xml" in types
    assert "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel" in relations


@pytest.mark.parametrize("row", [
    pytest.param(row, marks=[] if row == "crosspin-eye-flat" else [pytest.mark.slow])
    for row in ROWS
])
def test_a_strict_reader_takes_the_mesh_of_a_rod(row, tmp_path):
    one = rod_of(row, "33.6", Hand.PLUS_Y)
    mesh = rod_shape(one, lay_out_rod(load_lettering(), one)).mesh()
    height = height_mm(nominal_sizes(one), Way.FLAT)
    part = PlatePart("rod", "QF-1043", mesh.vertices, mesh.triangles, 2, one.hand, height)
    (plan,) = plan_plates([part], BED)
    write_plate(plan, tmp_path / "plate.3mf", ABOUT)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(tmp_path / "plate.3mf"))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    assert model.GetBuildItems().Count() == 2
    things = model.GetMeshObjects()
    assert things.Count() == 1
    things.MoveNext()
    thing = things.GetCurrentMeshObject()
    assert thing.IsManifoldAndOriented()
    corners = np.array([list(point.Coordinates) for point in thing.GetVertices()])
    triangles = np.array([list(facet.Indices) for facet in thing.GetTriangleIndices()])
    assert np.array_equal(triangles, mesh.triangles)
    assert np.abs(corners - mesh.vertices).max() < 4e-6


def test_every_edge_belongs_to_two_facets_and_facets_are_the_stl_s(path, plan):
    for thing, part in zip(model_of(path).iter(CORE + "object"), plan.parts, strict=True):
        triangles = np.array(
            [[int(t.get(f"v{i}")) for i in (1, 2, 3)] for t in thing.iter(CORE + "triangle")]
        )
        vertices = np.array(
            [[float(v.get(axis)) for axis in "xyz"] for v in thing.iter(CORE + "vertex")]
        )
        assert np.array_equal(triangles, part.triangles)
        assert np.abs(vertices - part.vertices).max() < 4e-6
        edges = {(a, b) for t in triangles for a, b in zip(t, np.roll(t, -1), strict=True)}
        assert len(edges) == 3 * len(triangles)
        assert all((b, a) in edges for a, b in edges)


def test_items_by_their_transforms_are_apart_and_inside(path, plan):
    model = model_of(path)
    names = {one.get("id"): one.get("name") for one in model.iter(CORE + "object")}
    boxes = []
    for item in model.iter(CORE + "item"):
        matrix = np.array([float(v) for v in item.get("transform").split()]).reshape(4, 3)
        part = next(p for p in plan.parts if p.name == names[item.get("objectid")])
        placed = part.vertices @ matrix[:3] + matrix[3]
        boxes.append((placed.min(axis=0), placed.max(axis=0)))
        assert boxes[-1][0][2] == pytest.approx(0.0, abs=1e-3)
        assert (boxes[-1][0][:2] >= 5 - 1e-3).all()
        assert (boxes[-1][1][:2] <= np.array([95, 55]) + 1e-3).all()
        inward = np.array([0.0, part.hand.inward_y, 0.0])
        assert inward @ matrix[:3] == pytest.approx([0, 0, 1])
    for index, (low, high) in enumerate(boxes):
        for other_low, other_high in boxes[index + 1 :]:
            assert max((other_low - high)[:2].max(), (low - other_high)[:2].max()) >= 4 - 1e-3


SCRIPT = """
import hashlib, sys
from pathlib import Path
from labkit.core.rod.rods import Hand, Plate
from labkit.exports.write.plates import PlatePart, plan_plates
from labkit.exports.check.stl_reader import read_stl
from labkit.exports.write.threemf import PlateMetadata, write_plate
m = read_stl(Path(sys.argv[1]))
part = PlatePart("a", "a-1", m.vertices, m.triangles, 3, Hand.MINUS_Y, 3.0)
(plan,) = plan_plates([part], Plate(100, 60, 4, 5))
write_plate(plan, Path(sys.argv[2]), PlateMetadata("QF-1", "T", "labkit", "D", "2031-03-14"))
"""


def test_the_same_bytes_from_two_processes(tmp_path):
    stl = made(rod(EYE_EYE, "33.6", bar=True))[1]
    sums = set()
    for name in ("one.3mf", "two.3mf"):
        out = tmp_path / name
        subprocess.run([sys.executable, "-c", SCRIPT, str(stl), str(out)], check=True)
        sums.add(hashlib.sha256(out.read_bytes()).hexdigest())
    assert len(sums) == 1


def test_another_case_has_other_identifiers(plan, path, tmp_path):
    other = tmp_path / "other.3mf"
    write_plate(plan, other, dataclasses.replace(ABOUT, case="QF-1044"))

    def identifiers(file):
        return {one.get(PRODUCTION + "UUID") for one in model_of(file).iter(CORE + "item")}

    assert identifiers(path).isdisjoint(identifiers(other))


def changed(path, tmp_path, change):
    """Write the package again with its model's text changed."""
    out = tmp_path / "changed.3mf"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            if entry.filename.endswith(".model"):
                text = data.decode("utf-8")
                assert change(text) != text
                data = change(text).encode("utf-8")
            new.writestr(entry.filename, data)
    return out


@pytest.mark.parametrize(
    ("change", "names"),
    [
        (lambda text: text.replace('unit="millimeter"', 'unit="inch"'), {"unit"}),
        (lambda text: text.replace('name="33.6"', 'name="33.8"'), {"objects", "pieces"}),
        (
            lambda text: text[: text.index("<item ")] + text[text.index("/>", text.index("<item "))
                                                             + 2 :],
            {"pieces"},
        ),
        (
            lambda text: text.replace('<vertex x="', '<vertex x="1', 1),
            {"facets of"},
        ),
        (
            lambda text: text.replace(' 1.5"/>', ' 2.5"/>'),
            {"pieces lie on the bed", "height of the build"},
        ),
    ],
    ids=["unit", "name", "piece missing", "vertex moved", "piece in the air"],
)
def test_a_changed_plate_fails(path, plan, tmp_path, change, names):
    check = check_plate(changed(path, tmp_path, change), plan)
    for name in names:
        assert any(found.startswith(name) for found in failed(check))


def test_a_hole_in_an_object_fails(path, plan, tmp_path):
    def without_a_facet(text):
        first = text.index("<triangle ")
        return text[:first] + text[text.index("/>", first) + 2 :]

    check = check_plate(changed(path, tmp_path, without_a_facet), plan)
    assert any(name.endswith("manifold and oriented") for name in failed(check))


def test_pieces_too_close_fail(path, plan):
    wider = dataclasses.replace(plan, plate=dataclasses.replace(BED, spacing_mm=4.1))
    assert "pieces are spaced apart" in failed(check_plate(path, wider))
    smaller = dataclasses.replace(plan, plate=dataclasses.replace(BED, border_mm=5.1))
    assert "pieces within the bed's border" in failed(check_plate(path, smaller))


def test_no_3mf_at_all(plan, tmp_path):
    path = tmp_path / "none.3mf"
    path.write_bytes(b"nothing")
    check = check_plate(path, plan)
    assert failed(check) == {"readable"}
    assert "a strict read says" in check.failures[0]


def test_a_missing_folder_is_told(plan, tmp_path):
    with pytest.raises(DeliveryError, match=r"plate\.3mf cannot be written: No such file"):
        write_plate(plan, tmp_path / "none" / "plate.3mf", ABOUT)
