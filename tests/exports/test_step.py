"""STEP files: header, names, units, the same bytes in every process, readable by others.

Second reader: steputils 0.1, a pure-Python Part 21 parser that shares nothing with OCCT.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import cadquery as cq
import pytest
from steputils import p21

from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import NOMINAL
from labkit.core.rod.volume import body_volume_mm3, label_volume_mm3
from labkit.errors import DeliveryError
from labkit.exports.write.step import StepHeader, write_step
from labkit.solids.build import build
from tests.exports.write_again import hashes
from tests.solids.rods_to_build import TEMPLATES, label_of, rod_of

ROOT = Path(__file__).parents[2]
HEADER = StepHeader("27.3", "2031-03-14", "Dr. Demo", "Demo Lab")


def test_the_kernel_says_nothing_where_programs_expect_json(tmp_path):
    # Without CadQuery, which silences the kernel when it is loaded.
    code = """
from tests.solids.rods_to_build import label_of, rod_of
from labkit.exports.write.step import StepHeader, step_bytes
from labkit.solids.build import build
import sys
rod = rod_of("eye-eye-flat", "27.3")
step_bytes(build(rod, label_of(rod)).solid, StepHeader("27.3", "2031-03-14"))
assert "cadquery" not in sys.modules
"""
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert run.stdout == ""


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("step")
    rod = rod_of("eye-eye-flat", "27.3")
    built = build(rod, label_of(rod))
    write_step(built.shape, folder / "rod.step", HEADER)
    return built, folder / "rod.step"


def test_header_is_filled_from_the_case(written):
    # Order of the header: ISO 10303-21:2016, 8.2.
    header = p21.loads(written[1].read_text()).header
    assert list(header.entities) == ["FILE_DESCRIPTION", "FILE_NAME", "FILE_SCHEMA"]
    name = header["FILE_NAME"].params
    assert name[0] == "27.3"
    assert name[1] == "2031-03-14T00:00:00"
    assert name[2] == ("Dr. Demo",)
    assert name[3] == ("Demo Lab",)
    schema = header["FILE_SCHEMA"].params[0][0]
    assert schema.startswith("AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF")


def test_product_unit_and_surfaces(written):
    text = written[1].read_text()
    assert re.search(r"PRODUCT\('27\.3','27\.3'", text)
    assert "SI_UNIT(.MILLI.,.METRE.)" in text
    assert "B_SPLINE" not in text
    assert "SURFACE_CURVE" not in text
    assert "Open CASCADE" not in text
    assert str(ROOT) not in text


@pytest.mark.parametrize("name", TEMPLATES)
def test_reads_back_as_the_same_solid(name, tmp_path):
    rod = rod_of(name, "27.3")
    built = build(rod, label_of(rod))
    write_step(built.shape, tmp_path / "rod.step", HEADER)
    again = cq.importers.importStep(str(tmp_path / "rod.step")).val()
    assert again.ShapeType() == "Solid"
    assert again.isValid()
    assert len(again.Faces()) == len(built.shape.Faces())
    # Lengths are written with 11 to 12 significant digits; the dome's rim is recomputed.
    assert again.Volume() == pytest.approx(built.volume_mm3, rel=2e-8)
    kinds = {face.geomType() for face in again.Faces()}
    assert kinds <= {"PLANE", "CYLINDER", "SPHERE", "TORUS"}


def test_same_bytes_in_other_processes():
    here = hashes()
    assert hashes() == here
    # The second one has no body kept on disk, and builds its own.
    for settings in ({"PYTHONHASHSEED": "0"}, {"PYTHONHASHSEED": "4711", "LABKIT_CACHE": ""}):
        done = subprocess.run(
            [sys.executable, "-m", "tests.exports.write_again"],
            cwd=ROOT, env={**os.environ, **settings, "TZ": "Asia/Tokyo"},
            capture_output=True, text=True, check=True, timeout=120,
        )
        assert done.stdout.split() == here


def test_missing_folder_is_told(written, tmp_path):
    with pytest.raises(DeliveryError, match="cannot be written: No such file or directory; make"):
        write_step(written[0].shape, tmp_path / "missing" / "rod.step", HEADER)


def test_folder_in_place_of_the_file(written, tmp_path):
    with pytest.raises(DeliveryError, match="cannot be written: Is a directory"):
        write_step(written[0].shape, tmp_path, HEADER)


@pytest.mark.parametrize("name", TEMPLATES)
def test_gmsh_finds_the_closed_form_volume(name, tmp_path):
    # Gmsh 4.15.2 has a copy of OCCT of its own: another build and reader, not another kernel.
    rod = rod_of(name, "27.3")
    path = tmp_path / "rod.step"
    write_step(build(rod, label_of(rod)).shape, path, HEADER)
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.gmsh_volume", str(path)],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )
    count, volume = done.stdout.split()
    sizes = compensated(rod.template, rod.length, NOMINAL)
    closed = body_volume_mm3(sizes) - label_volume_mm3(label_of(rod), rod.template.label.depth_mm)
    assert count == "1"
    assert float(volume) == pytest.approx(closed, rel=1e-6)
