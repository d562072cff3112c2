"""All checks of a part: right parts pass, each wrong one fails with its own sentence."""

from __future__ import annotations

import ast
import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold, Mesh

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import Compensation, Hand
from labkit.exports.check import part as module
from labkit.exports.check.part import check_part, check_part_of
from tests.support.rods import rod_of, written
from tests.support.sample_parts import (
    BALL_BALL,
    EYE_EYE,
    LETTERING,
    PIN_EYE,
    RIGHT,
    Wrong,
    made,
    rod,
)

NOMINAL = Compensation()
FACET = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
PARTS = [
    rod(EYE_EYE, "33.6", bar=True), rod(PIN_EYE, "41.7"), rod(PIN_EYE, "20.9", Hand.PLUS_Y, True),
    rod(BALL_BALL, "35.0"),
]


def check(part, wrong=RIGHT, compensation=NOMINAL):
    step, stl, volume = made(part, wrong)
    return check_part_of(part, compensation, (step, stl), LETTERING, (volume, volume))


def failed(result):
    return {(one.file, one.name) for one in result.checks if not one.passed}


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.part)
def test_a_right_part_passes_every_check(part):
    result = check(part)
    assert result.failures == ()
    assert result.passed
    assert len(result.checks) > 50
    assert result.step_length_mm == pytest.approx(float(part.length), abs=1e-6)
    assert result.stl_length_mm == pytest.approx(float(part.length), abs=0.002)
    assert result.label_read == part.engraving


def test_the_report_is_plain_json():
    result = check(PARTS[0])
    report = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert report["passed"] is True
    assert report["label_read"] == "33.6"
    assert report["label_bar"] is True
    assert len(report["checks"]) == len(result.checks)


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        (Wrong(length_by_mm=0.01), {("STEP", "functional length"), ("STL", "functional length")}),
        (Wrong(length_by_mm=0.003), {("STL", "functional length")}),
        (
            Wrong(bore_by_mm=0.02),
            {
                ("STEP", "diameter of the bore at the lower end"),
                ("STL", "diameter of the bore at the upper end"),
            },
        ),
        (Wrong(text="33.8"), {("STL", "label")}),
        (Wrong(text="336"), {("STL", "label")}),
        (Wrong(mirrored=True), {("STL", "label")}),
        (
            Wrong(outward=True),
            {("STL", "label"), ("STL", "unevenness of the outward face")},
        ),
        (Wrong(depth_mm=0.29), {("STL", "depth of the engraving")}),
        (Wrong(omit_bar=True), {("STL", "bar under the label")}),
        (Wrong(plain=True), {("STL", "label"), ("STL", "bar under the label")}),
    ],
    ids=lambda value: "" if isinstance(value, set) else str(value).removeprefix("Wrong"),
)
def test_a_wrong_part_fails(wrong, expected):
    result = check(PARTS[0], wrong)
    assert expected <= failed(result)
    assert not result.passed
    assert len(result.failures) == len(failed(result))


def test_a_bar_that_was_not_asked_for_fails():
    part = dataclasses.replace(PARTS[0], bar=False)
    step, stl, volume = made(PARTS[0])
    result = check_part_of(part, NOMINAL, (step, stl), LETTERING, (volume, volume))
    assert failed(result) == {("STL", "bar under the label"), ("STEP", "bar under the label")}


def test_a_hole_that_nobody_asked_for_fails(tmp_path):
    """A thin hole from the upper to the lower edge: no other check of the STL looks there."""
    step, stl, volume = made(PARTS[0])
    whole = trimesh.load(stl)
    body = Manifold(Mesh(np.float32(whole.vertices), np.uint32(whole.faces)))
    drill = Manifold.cylinder(20.0, 0.15, circular_segments=48, center=True)
    drilled = (body - drill).to_mesh()
    path = tmp_path / "part.stl"
    path.write_bytes(
        trimesh.Trimesh(drilled.vert_properties, drilled.tri_verts).export(file_type="stl")
    )
    less = body.volume() - (body - drill).volume()
    result = check_part_of(PARTS[0], NOMINAL, (step, path), LETTERING, (volume, volume - less))
    assert failed(result) == {("STL", "through holes")}
    assert result.mesh.genus == 3


def test_the_other_hand_fails():
    step, stl, volume = made(PARTS[2])
    other = dataclasses.replace(PARTS[2], hand=Hand.MINUS_Y, mark="L")
    names = failed(check_part_of(other, NOMINAL, (step, stl), LETTERING, (volume, volume)))
    assert {("STL", "label"), ("STEP", "label")} <= names


def test_failures_say_what_was_measured_and_what_is_allowed():
    result = check(PARTS[0], Wrong(length_by_mm=0.01))
    first = "STEP: functional length measures 33.61 mm (allowed: 33.6 ± 1e-06 mm)"
    assert result.failures[0] == first
    # One clause for all of them: the first three, and how many more.
    more = len(result.failures) - 3
    assert result.told_failures() == "; ".join([*result.failures[:3], f"and {more} more"])


def test_another_solid_s_volume_fails():
    step, stl, volume = made(PARTS[0])
    result = check_part_of(PARTS[0], NOMINAL, (step, stl), LETTERING, (volume, volume + 1.5))
    assert failed(result) == {
        ("STL", "volume against the rod asked for"), ("STL", "volume against the STEP"),
    }


def test_a_rod_of_another_body_fails_by_its_volume(tmp_path):
    """Long edges rounded by 0.05 mm less: no length, diameter or box tells."""
    asked = rod_of("eye-eye-flat", "33.3")
    body = dataclasses.replace(asked.template.body, edge_radius_mm=0.45)
    other = written(
        dataclasses.replace(asked, template=dataclasses.replace(asked.template, body=body)),
        tmp_path,
    )
    result = check_part(asked, NOMINAL, other.step, other.stl, load_lettering())
    assert ("STEP", "volume against the rod asked for") in failed(result)
    right = written(asked, tmp_path)
    assert check_part(asked, NOMINAL, right.step, right.stl, load_lettering()).failures == ()


def test_a_compensated_stl_is_held_against_what_was_built():
    # The STEP is nominal; the STL 0.05 longer with bores 0.04 wider, as the process asks.
    step, _, nominal = made(PARTS[0])
    _, stl, built = made(PARTS[0], Wrong(length_by_mm=0.05, bore_by_mm=0.04))
    asked = Compensation(length_offset_mm=0.05, bore_offset_mm=0.04)
    assert check_part_of(PARTS[0], asked, (step, stl), LETTERING, (nominal, built)).failures == ()
    other = Compensation(length_offset_mm=0.05, bore_offset_mm=0.03)
    names = failed(check_part_of(PARTS[0], other, (step, stl), LETTERING, (nominal, built)))
    assert names == {
        ("STL", "diameter of the bore at the lower end"),
        ("STL", "diameter of the bore at the upper end"),
    }


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        (Wrong(plain=True), ("STEP", "label")),
        (Wrong(text="44.9"), ("STEP", "label")),
        (Wrong(mirrored=True), ("STEP", "label")),
        (Wrong(outward=True), ("STEP", "label")),
        (Wrong(depth_mm=0.29), ("STEP", "depth of the engraving")),
        (Wrong(omit_bar=True), ("STEP", "bar under the label")),
    ],
    ids=lambda value: "" if isinstance(value, tuple) else str(value).removeprefix("Wrong"),
)
@pytest.mark.parametrize("compensated", [False, True])
def test_a_wrong_step_beside_a_right_stl_fails(wrong, expected, compensated):
    """The STEP is measured by itself, whatever the process adds in the STL."""
    nominal = made(PARTS[0])[2]
    step = made(PARTS[0], wrong)[0]
    change = Wrong(length_by_mm=0.05, bore_by_mm=0.04) if compensated else Wrong()
    _, stl, built = made(PARTS[0], change)
    asked = Compensation(length_offset_mm=0.05, bore_offset_mm=0.04) if compensated else NOMINAL
    names = failed(check_part_of(PARTS[0], asked, (step, stl), LETTERING, (nominal, built)))
    assert expected in names
    assert {file for file, _ in names} <= {"STEP", "STL"}
    assert not {name for file, name in names if file == "STL"} - {"volume against the STEP"}


def test_an_unreadable_stl_is_a_failed_check(tmp_path):
    step, stl, volume = made(PARTS[0])
    short = tmp_path / "part.stl"
    short.write_bytes(stl.read_bytes()[:-50])
    result = check_part_of(PARTS[0], NOMINAL, (step, short), LETTERING, (volume, volume))
    assert failed(result) == {("STL", "readable")}
    assert result.label_read == ""
    assert result.stl_length_mm is None


def test_an_unreadable_step_is_a_failed_check(tmp_path):
    _, stl, volume = made(PARTS[0])
    none = tmp_path / "part.step"
    none.write_text("nothing")
    result = check_part_of(PARTS[0], NOMINAL, (none, stl), LETTERING, (volume, volume))
    assert failed(result) == {("STEP", "readable")}
    assert json.dumps(result.to_json())


def test_old_schema_and_other_units_fail(tmp_path):
    step, stl, volume = made(PARTS[0])
    text = step.read_text("ascii").replace("SI_UNIT(.MILLI.,.METRE.)", "SI_UNIT($,.METRE.)")
    changed = tmp_path / "part.step"
    changed.write_text(text.replace("AP242_MANAGED", "AP214_MANAGED"), "ascii")
    names = failed(check_part_of(PARTS[0], NOMINAL, (changed, stl), LETTERING, (volume, volume)))
    assert names == {("STEP", "schema"), ("STEP", "length units")}


#: All but what checks a plate, which asks where its pieces were laid.
EXPORTS = Path(module.__file__).parents[1]
MEASURING = sorted(
    path.relative_to(EXPORTS).with_suffix("").as_posix().replace("/", ".")
    for floor in ("check", "expected")
    for path in (EXPORTS / floor).glob("*.py")
    if path.stem != "plate"
)


@pytest.mark.parametrize("name", MEASURING)
def test_measuring_shares_nothing_with_building(name):
    source = (EXPORTS / f"{name.replace('.', '/')}.py").read_text("utf-8")
    imported = {
        node.module for node in ast.walk(ast.parse(source)) if isinstance(node, ast.ImportFrom)
    }
    ours = {one for one in imported if one and one.startswith("labkit.")}
    allowed = {f"labkit.exports.{other}".removesuffix(".__init__") for other in MEASURING} | {
        "labkit.core.label.lettering", "labkit.core.label.place", "labkit.core.numbers",
        "labkit.core.rod.fittings", "labkit.core.rod.rods", "labkit.core.rod.volume",
        "labkit.errors", "labkit.units",
    }
    assert ours <= allowed


def removed(facets, place):
    return np.delete(facets, place)


def twice(facets, place):
    return np.append(facets, facets[place : place + 1])


def turned(facets, place):
    facets["corners"][place] = facets["corners"][place, ::-1]
    facets["normal"][place] *= -1.0
    return facets


def normal_turned(facets, place):
    facets["normal"][place] *= -1.0
    return facets


def moved(facets, place):
    facets["corners"][place, 1] += np.float32(0.011)
    return facets


def pinched(facets, place):
    facets["corners"][place, 1] = facets["corners"][place, 0]
    return facets


FAULTS = (removed, twice, turned, normal_turned, moved, pinched)


def no_fault_passes(part, fault, count, tmp_path):
    """Facets of the body, of the ends and of the label: at places all over the file."""
    step, stl, volume = made(part)
    data = stl.read_bytes()
    whole = np.frombuffer(data, dtype=FACET, offset=84)
    path = tmp_path / "part.stl"
    for place in np.linspace(0, len(whole) - 1, count).astype(int):
        facets = fault(whole.copy(), place)
        path.write_bytes(data[:80] + len(facets).to_bytes(4, "little") + facets.tobytes())
        result = check_part_of(part, NOMINAL, (step, path), LETTERING, (volume, volume))
        assert {file for file, _ in failed(result)} == {"STL"}, place


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_in_a_facet_never_passes(fault, tmp_path):
    no_fault_passes(PARTS[1], fault, 4, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.part)
def test_a_fault_in_any_of_many_facets_never_passes(part, fault, tmp_path):
    no_fault_passes(part, fault, 60, tmp_path)


@pytest.mark.parametrize("seed", range(12))
def test_a_corrupted_coordinate_never_passes(seed, tmp_path):
    step, stl, volume = made(PARTS[1])
    random = np.random.default_rng(seed)
    data = bytearray(stl.read_bytes())
    facet = int(random.integers((len(data) - 84) // 50))
    # The lowest bit of the exponent of one coordinate: it doubles or halves.
    data[84 + 50 * facet + 12 + 4 * int(random.integers(9)) + 2] ^= 0x80
    path = tmp_path / "part.stl"
    path.write_bytes(data)
    assert not check_part_of(PARTS[1], NOMINAL, (step, path), LETTERING, (volume, volume)).passed
