"""Rods written from their template's body: the kernel, which builds each anew, is the second road.

All 200 lengths of a row: pytest -m slow tests/exports/test_rod_shape.py
"""

from __future__ import annotations

import random
from dataclasses import fields, replace
from decimal import Decimal

import cadquery as cq
import numpy as np
import pytest
import trimesh

from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Arc, Drawn, Engraving, PlacedGlyph, Region
from labkit.core.label.place import lay_out_rod, require_fit
from labkit.core.rod.rods import NOMINAL, Compensation, Hand, Rod
from labkit.errors import GeometryError, LabelError
from labkit.exports.write.mesh import mesh_of
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.solid_reader import read_solid
from labkit.exports.write.step import StepHeader
from labkit.solids.build import build
from labkit.solids.guard import box_of
from tests.solids.rods_to_build import LETTERING
from tests.support.rods import ROWS, rod_of, templates

#: Everything that a process may add, at once.
SHRUNK = Compensation(1.012, 0.03, 0.08, -0.05, 0.04)
#: Places agree to this, mm: the file has twelve decimals.
SAME_MM = 1e-9


def from_step(data, folder):
    path = folder / "rod.step"
    path.write_bytes(data)
    return cq.importers.importStep(str(path)).val()


def by_the_kernel(built, folder):
    """Write and read a solid by the kernel alone: it follows a flat's rim on a dome anew then."""
    path = folder / "kernel.step"
    built.shape.exportStep(str(path), write_pcurves=False)
    return cq.importers.importStep(str(path)).val()


def in_order(points):
    found = np.round(np.asarray(points), 7) + 0.0
    return found[np.lexsort(found.T)]


def same_points(one, other):
    return np.abs(in_order(one) - in_order(other)).max() <= 2e-7 and len(one) == len(other)


def compare(rod, engraving, by, folder):
    """Hold the files of one rod against what the kernel builds."""
    shape, built = rod_shape(rod, engraving, by), build(rod, engraving, by)
    solid = from_step(shape.step(StepHeader(rod.part, "2031-03-14")), folder)
    assert solid.ShapeType() == "Solid"
    assert solid.isValid()
    assert abs(solid.Volume() - by_the_kernel(built, folder).Volume()) <= SAME_MM
    assert abs(shape.volume_mm3 - built.volume_mm3) <= 1e-6
    assert np.abs(np.subtract(box_of(solid), box_of(built.solid))).max() <= SAME_MM
    ours, theirs = read_solid(solid), read_solid(built.solid)
    assert len(ours.faces) == len(theirs.faces)
    assert same_points(ours.vertices, theirs.vertices)
    compare_meshes(shape.mesh(), mesh_of(built.solid))


def compare_meshes(mesh, theirs):
    body = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert len(mesh.triangles) == len(theirs.triangles)
    assert same_points(mesh.vertices, theirs.vertices)
    other = trimesh.Trimesh(theirs.vertices, theirs.triangles, process=False)
    assert abs(body.volume - other.volume) <= SAME_MM
    large = body.area_faces > 1e-6
    assert np.abs(body.face_normals - mesh.normals)[large].max() < 1e-6


def lengths_of(row, count):
    template = templates()[row]
    tenths = (int(template.shortest_mm * 10), int(template.longest_mm * 10))
    chosen = random.Random(f"bodies of {row}").sample(range(tenths[0], tenths[1] + 1), count)
    return [str(Decimal(one) / 10 + Decimal("0.0")) for one in (tenths[0], *chosen, tenths[1])]


def compare_row(row, lengths, folder):
    for number, length in enumerate(lengths, ROWS.index(row)):
        hand = Hand.PLUS_Y if number % 2 else Hand.MINUS_Y
        rod = rod_of(row, length, hand)
        compare(rod, lay_out_rod(LETTERING, rod), SHRUNK if number % 2 else NOMINAL, folder)


@pytest.mark.parametrize("row", ROWS)
def test_a_length_of_each_row(row, tmp_path):
    compare_row(row, lengths_of(row, 1)[1:2], tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("share", range(8))
@pytest.mark.parametrize("row", ROWS)
def test_all_lengths_of_each_row(row, share, tmp_path):
    compare_row(row, lengths_of(row, 200)[share::8], tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("text", ["AEFHJK", "MNPTU", "WXY0123"])
def test_every_character_of_case_marks(text, tmp_path):
    rod = rod_of("eye-eye-flat", "70.0")
    compare(rod, lay_out(LETTERING.of_case_marks, text, False, 2.5), NOMINAL, tmp_path)


@pytest.mark.parametrize("text", ["0123456", "789.LR"])
def test_every_character_of_labels_and_the_bar(text, tmp_path):
    rod = rod_of("crosspin-eye-flat", "60.0", Hand.PLUS_Y)
    compare(rod, lay_out(LETTERING, text, True, 2.5), NOMINAL, tmp_path)


def test_characters_of_a_case_mark(tmp_path):
    rod = rod_of("eye-eye-flat", "44.1", case_mark="AE7")
    compare(rod, lay_out_rod(LETTERING, rod), SHRUNK, tmp_path)


def test_a_rod_without_a_label(tmp_path):
    compare(rod_of("eye-eye-flat", "33.3"), None, NOMINAL, tmp_path)


def other_sizes(value, rng):
    """Change some sizes of a bar or a fitting by up to a fifth."""
    names = [one.name for one in fields(value) if isinstance(getattr(value, one.name), float)]
    chosen = [name for name in names if name.endswith("_mm") and rng.random() < 0.6]
    return replace(value, **{
        name: round(getattr(value, name) * rng.uniform(0.85, 1.2), 2) for name in chosen
    })


def own_template(rng):
    """Give a template of a lab's own: a row with other sizes, at times with other ends."""
    template = templates()[rng.choice(ROWS)]
    alike = [row for row in templates().values() if row.body.shape == template.body.shape]
    lower = other_sizes(rng.choice(alike).lower, rng)
    upper = lower if rng.random() < 0.5 else other_sizes(rng.choice(alike).upper, rng)
    return replace(template, body=other_sizes(template.body, rng), lower=lower, upper=upper)


def is_made(rod, engraving):
    try:
        require_fit(LETTERING, rod.template, engraving, float(rod.length))
        build(rod, engraving)
    except (GeometryError, LabelError):
        return False
    return True


def compare_own(seed, count, folder):
    rng, done = random.Random(seed), 0
    for _ in range(20 * count):
        rod = Rod(own_template(rng), Decimal(rng.randrange(200, 700)) / 10,
                  rng.choice(list(Hand)), "L", False)
        engraving = lay_out_rod(LETTERING, rod)
        if is_made(rod, engraving):
            compare(rod, engraving, rng.choice((NOMINAL, SHRUNK)), folder)
            done += 1
        if done == count:
            return
    raise AssertionError(f"only {done} of the templates make a part")


def test_a_template_of_a_lab_s_own(tmp_path):
    compare_own(1, 1, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 10))
def test_many_templates_of_a_lab_s_own(seed, tmp_path):
    compare_own(seed, 25, tmp_path)


def test_the_same_bytes_whatever_was_written_before():
    header = StepHeader("27.3", "2031-03-14")
    rod, other = (rod_of("eye-eye-flat", length) for length in ("27.3", "33.2"))
    first = rod_shape(rod, lay_out_rod(LETTERING, rod))
    before = first.step(header), first.mesh().vertices.tobytes()
    rod_shape(other, lay_out_rod(LETTERING, other)).step(header)
    again = rod_shape(rod, lay_out_rod(LETTERING, rod))
    assert (again.step(header), again.mesh().vertices.tobytes()) == before


def changed(rod, part, **sizes):
    target = getattr(rod.template, part)
    return replace(rod, template=replace(rod.template, **{part: replace(target, **sizes)}))


@pytest.mark.parametrize(("row", "length", "sentence"), [
    ("eye-eye-flat", "5.0", "has no straight piece left between the bosses' blends"),
    ("ball-ball-round", "11.0", "has no straight piece left between its domes"),
])
def test_a_rod_too_short_for_its_ends(row, length, sentence):
    with pytest.raises(GeometryError, match=sentence):
        rod_shape(rod_of(row, length), None)


def test_sizes_that_do_not_make_a_part():
    with pytest.raises(GeometryError, match="an edge radius of 1.5 mm does not fit"):
        rod_shape(changed(rod_of("eye-eye-flat", "30.0"), "body", edge_radius_mm=1.5), None)


@pytest.mark.parametrize("depth", [0.0, 3.0])
def test_a_label_without_depth_or_through_the_bar(depth):
    rod = changed(rod_of("eye-eye-flat", "30.0"), "label", depth_mm=depth)
    with pytest.raises(GeometryError, match="the depth must be above 0 and below"):
        rod_shape(rod, lay_out_rod(LETTERING, rod))


@pytest.mark.parametrize("v", [9.0, 2.75])
def test_a_label_beside_its_face_or_across_its_edge(v):
    round_mark = (Arc((0.0, 0.0), 0.25, 0.0, 1.0),)
    glyph = PlacedGlyph("1", round_mark, (Region(()),), -1.0, 1.0, -1.0, 1.0,
                        Drawn(round_mark, 0.5), (0.0, v))
    engraving = Engraving("1", False, 1.0, 0.5, 2.0, 2.0, (glyph,))
    with pytest.raises(GeometryError, match="the label does not lie within its face"):
        rod_shape(rod_of("eye-eye-flat", "30.0"), engraving).mesh()
