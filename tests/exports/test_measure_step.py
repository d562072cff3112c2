"""STEP files as the program measures them, against the drawing, a parser and another program."""

from __future__ import annotations

import subprocess
import sys

import pytest

from labkit.core.rod.rods import Hand
from labkit.errors import InputError
from labkit.exports.check.measure_step import measure_step
from labkit.exports.check.step_reader import read_step
from tests.support.sample_parts import BALL_BALL, EYE_EYE, PIN_EYE, Wrong, made, rod, write
from tests.support.step_entities import StepEntities, axis_distance, ball_distance

RODS = [
    rod(EYE_EYE, "33.6"), rod(PIN_EYE, "28.4"), rod(PIN_EYE, "41.7", Hand.PLUS_Y),
    rod(BALL_BALL, "35.0"),
]


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_functional_length_to_a_millionth(part):
    measured = measure_step(made(part)[0], part.template)
    assert measured.ends.length_mm == pytest.approx(float(part.length), abs=1e-6)
    assert (measured.solids, measured.loose, measured.valid) == (1, 0, True)
    assert measured.volume_mm3 == pytest.approx(made(part)[2], rel=1e-9)


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_length_agrees_with_the_parsed_entities(part):
    # steputils parses the text and knows no geometry; the distance is worked out from entities.
    step = made(part)[0]
    entities = StepEntities(step)
    if part.template is BALL_BALL:
        other = ball_distance(entities, 2.0)
    else:
        other = axis_distance(entities, 1.5 if part.template is PIN_EYE else 1.25, 1.25)
    measured = measure_step(step, part.template)
    assert measured.ends.length_mm == pytest.approx(other, abs=1e-9)
    assert measured.faces == len(entities.named("ADVANCED_FACE"))
    assert len(entities.named("MANIFOLD_SOLID_BREP")) == measured.solids
    assert measured.file.schema == entities.header("FILE_SCHEMA")[0][0]
    assert measured.file.time_stamp == entities.header("FILE_NAME")[1]


GMSH = """
import gmsh, sys
gmsh.initialize(); gmsh.option.setNumber("General.Terminal", 0)
gmsh.open(sys.argv[1])
(solid,) = gmsh.model.getEntities(3)
print(repr(gmsh.model.occ.getMass(*solid)), len(gmsh.model.getEntities(2)))
gmsh.finalize()
"""


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_volume_agrees_with_gmsh(part):
    # Gmsh is another program with its own copy of the kernel, run in its own process.
    step = made(part)[0]
    run = subprocess.run(
        [sys.executable, "-c", GMSH, str(step)], capture_output=True, text=True, check=True
    )
    volume, faces = run.stdout.split()[-2:]
    measured = measure_step(step, part.template)
    assert measured.volume_mm3 == pytest.approx(float(volume), rel=1e-9)
    assert measured.faces == int(faces)


def test_box_is_that_of_the_part():
    part = rod(PIN_EYE, "41.7", Hand.PLUS_Y)
    measured = measure_step(made(part)[0], PIN_EYE)
    # Half the length and half the boss; half the thickness, pin and lip; half the boss.
    assert measured.high == pytest.approx((41.7 / 2 + 3.75, 1.5 + 3.5 + 1.0, 3.75), abs=1e-5)
    assert measured.low == pytest.approx((-41.7 / 2 - 3.75, -1.5, -3.75), abs=1e-5)


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_a_rod_a_hundredth_too_long_measures_so(part):
    measured = measure_step(made(part, Wrong(length_by_mm=0.01))[0], part.template)
    assert measured.ends.length_mm == pytest.approx(float(part.length) + 0.01, abs=1e-6)


def test_a_wide_bore_measures_so():
    part = rod(EYE_EYE, "33.6")
    measured = measure_step(made(part, Wrong(bore_by_mm=0.02))[0], EYE_EYE)
    assert measured.ends.lower.diameter_mm == pytest.approx(2.52, abs=1e-9)


def test_another_fitting_is_not_found():
    measured = measure_step(made(rod(BALL_BALL, "35.0"))[0], EYE_EYE)
    assert measured.ends.lower is None
    assert measured.ends.length_mm is None


def test_units_are_read_from_the_text(tmp_path):
    text = made(rod(EYE_EYE, "33.6"))[0].read_text("ascii")
    path = tmp_path / "metres.step"
    path.write_text(text.replace("SI_UNIT(.MILLI.,.METRE.)", "SI_UNIT($,.METRE.)"), "ascii")
    assert read_step(path).length_units == ("$,.METRE.",)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("ENDSEC;\nDATA;", "DATA;"),
        lambda text: text[: len(text) // 2],
        lambda text: text.replace("FILE_SCHEMA", "FILE_SCHEME"),
        lambda text: text.replace("FILE_NAME(", "FILE_NAME(("),
        lambda text: text.replace("ADVANCED_FACE", "ADVANCED FACE", 1),
        lambda text: text + "ENDSEC;\n",
    ],
)
def test_header_and_end(tmp_path, change):
    path = tmp_path / "changed.step"
    path.write_text(change(made(rod(EYE_EYE, "33.6"))[0].read_text("ascii")), "ascii")
    with pytest.raises(InputError, match=r"changed\.step is not a whole STEP file"):
        read_step(path)


def test_half_a_file_is_refused(tmp_path):
    path = tmp_path / "half.step"
    data = made(rod(EYE_EYE, "33.6"))[0].read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(InputError, match=r"half\.step is not a whole STEP file"):
        measure_step(path, EYE_EYE)


def test_a_whole_file_without_a_solid(tmp_path):
    path = tmp_path / "empty.step"
    text = made(rod(EYE_EYE, "33.6"))[0].read_text("ascii")
    path.write_text(text[: text.index("DATA;")] + "DATA;\nENDSEC;\nEND-ISO-10303-21;\n", "ascii")
    with pytest.raises(InputError, match=r"empty\.step holds no solid that can be read back"):
        measure_step(path, EYE_EYE)


@pytest.mark.parametrize("content", [b"", b"not a step file", b"\xff\xfe"])
def test_no_step_at_all(tmp_path, content):
    path = tmp_path / "none.step"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"none\.step (is not a whole STEP file|cannot be read)"):
        measure_step(path, EYE_EYE)


def test_a_bore_cut_in_two_faces_is_one_bore(tmp_path):
    import cadquery as cq

    bar = cq.Workplane("XZ").rect(40, 7).extrude(3)
    for x in (-15, 15):  # half bores side by side, met in a common plane
        for side in (-1, 1):
            half = cq.Workplane("XZ", origin=(x, 0, 0)).circle(1.25).extrude(3)
            half = half.intersect(cq.Workplane("XZ", origin=(x, 0, side)).rect(9, 2).extrude(3))
            bar = bar.cut(half, clean=False)
    step, _ = write(bar.val(), tmp_path)
    assert len(StepEntities(step).cylinders()) == 4
    measured = measure_step(step, EYE_EYE)
    assert measured.ends.length_mm == pytest.approx(30.0, abs=1e-9)
    assert measured.ends.upper.diameter_mm == pytest.approx(2.5, abs=1e-9)


def test_half_a_bore_is_no_bore(tmp_path):
    import cadquery as cq

    bar = cq.Workplane("XZ").rect(40, 7).extrude(3)
    for x in (-20, 20):  # at the ends of the bar: only half of each cylinder is left
        bar = bar.cut(cq.Workplane("XZ", origin=(x, 0, 0)).circle(1.25).extrude(3))
    step, _ = write(bar.val(), tmp_path)
    assert measure_step(step, EYE_EYE).ends.lower is None
