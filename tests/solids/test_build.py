"""Every row of every template, at its shortest, its longest and between: one valid right solid."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal

import cadquery as cq
import pytest
from OCP.BRepClass3d import BRepClass3d_SolidClassifier
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_IN

from labkit.core.form.read import read_record
from labkit.core.jsonable import jsonable
from labkit.core.label.lettering import Disc
from labkit.core.label.place import label_space
from labkit.core.rod.compensation import compensated
from labkit.core.rod.curves import at
from labkit.core.rod.rods import NOMINAL, Compensation, Crosspin, Hand, Rod, RodTemplate
from labkit.core.rod.volume import body_volume_mm3, envelope_mm, label_volume_mm3
from labkit.exports.write.mesh import mesh_of
from labkit.solids.build import build
from tests.solids.rods_to_build import TEMPLATES, every_rod, hands, label_of, rod_of

# OCCT's integration over these surfaces repeats to 1e-11 of the whole rod (measured: 6e-12).
INTEGRATION = 1e-11


def face_y(rod):
    """Depth coordinate of the label face, from the template alone."""
    body = rod.template.body
    thickness = getattr(body, "thickness_mm", None)
    return thickness / 2 if thickness else body.diameter_mm / 2 - body.flat_depth_mm


def inside(shape, x, y, z):
    classifier = BRepClass3d_SolidClassifier(shape.wrapped)
    classifier.Perform(gp_Pnt(x, y, z), 1e-7)
    return classifier.State() == TopAbs_IN


def stroke_points(engraving):
    """Points in the middle of the strokes, in the reader's coordinates."""
    for glyph in engraving.glyphs:
        for mark in glyph.marks:
            yield mark.center if isinstance(mark, Disc) else at(mark, 0.5)


def in_a_stroke(engraving, u, v):
    """Whether a point lies in a stroke by at least a fifth of the stroke's width."""
    near = 0.3 * engraving.stroke_mm
    for glyph in engraving.glyphs:
        for mark in glyph.marks:
            if isinstance(mark, Disc):
                if (u - mark.center[0]) ** 2 + (v - mark.center[1]) ** 2 < mark.radius**2 / 2:
                    return True
                continue
            for share in range(101):
                x, y = at(mark, share / 100)
                if (u - x) ** 2 + (v - y) ** 2 < near**2:
                    return True
    return False


def clear_of_strokes(engraving, u, v):
    """Whether a point is at least 0.8 stroke widths from every centreline and out of every disc."""
    wide = dataclasses.replace(engraving, stroke_mm=engraving.stroke_mm * 0.8 / 0.3)
    discs = [m for g in engraving.glyphs for m in g.marks if isinstance(m, Disc)]
    beside = all(math.dist((u, v), disc.center) > 1.1 * disc.radius for disc in discs)
    return beside and not in_a_stroke(wide, u, v)


@pytest.mark.parametrize(("name", "length", "hand"), every_rod())
def test_every_row_builds_to_its_arithmetic(name, length, hand):
    rod = rod_of(name, length, hand)
    label = label_of(rod)
    sizes = compensated(rod.template, rod.length, NOMINAL)
    plain, engraved = build(rod, None), build(rod, label)
    for built in (plain, engraved):
        assert isinstance(built.shape, cq.Solid)
        assert built.shape.isValid()
        assert built.length_mm == float(length)
    # The kernel integrates the dome's curved rim to 5e-9 (measured), everything else to 1e-13.
    assert plain.volume_mm3 == pytest.approx(body_volume_mm3(sizes), rel=5e-8)
    taken = label_volume_mm3(label, rod.template.label.depth_mm)
    noise = INTEGRATION * plain.volume_mm3
    assert plain.volume_mm3 - engraved.volume_mm3 == pytest.approx(taken, rel=1e-6, abs=noise)
    box = engraved.shape.BoundingBox()
    low, high = envelope_mm(sizes, hand)
    assert (box.xmin, box.ymin, box.zmin) == pytest.approx(low, abs=1e-5)
    assert (box.xmax, box.ymax, box.zmax) == pytest.approx(high, abs=1e-5)


@pytest.mark.parametrize("name", TEMPLATES)
def test_label_is_on_the_inward_face_upright_and_not_mirrored(name):
    for hand in hands(name):
        rod = rod_of(name, "27.3", hand)
        label = label_of(rod)
        shape = build(rod, label).shape
        i, y = hand.inward_y, face_y(rod)
        center_x = label_space(rod.template, 27.3).center_x_mm
        just_under, deep = i * (y - 0.05), i * (y - rod.template.label.depth_mm - 0.05)
        mirrored_misses = 0
        for u, v in stroke_points(label):
            x = center_x - i * u
            assert not inside(shape, x, just_under, v)
            assert inside(shape, x, deep, v)
            if clear_of_strokes(label, -u, v):
                assert inside(shape, center_x + i * u, just_under, v)
                mirrored_misses += 1
        # Enough strokes have no twin in the mirror image for the text's direction to be told.
        assert mirrored_misses >= 3


@pytest.mark.parametrize("name", TEMPLATES)
def test_outward_face_is_smooth(name):
    for hand in hands(name):
        rod = rod_of(name, "27.3", hand)
        plain, engraved = build(rod, None).shape, build(rod, label_of(rod)).shape
        middle = cq.Workplane("XZ").box(100, 100, 100)
        outward_half = middle.translate((0, -50 * hand.inward_y, 0)).val()
        halves = [shape.intersect(outward_half).Volume() for shape in (plain, engraved)]
        assert halves[0] == pytest.approx(halves[1], rel=1e-9)


def test_mirror_hands_are_mirror_bodies_with_the_same_text():
    name = next(n for n in TEMPLATES if TEMPLATES[n].handed)
    bodies = [build(rod_of(name, "30.0", hand), None).shape for hand in Hand]
    mirrored = bodies[0].mirror("XZ")
    assert mirrored.intersect(bodies[1]).Volume() == pytest.approx(bodies[1].Volume(), rel=1e-6)


def test_a_template_without_hand_is_one_part():
    name = next(n for n in TEMPLATES if not TEMPLATES[n].handed)
    rod = rod_of(name, "30.0", Hand.PLUS_Y)
    same = build(dataclasses.replace(rod, hand=Hand.MINUS_Y), label_of(rod))
    assert build(rod, label_of(rod)).shape.intersect(same.shape).Volume() == pytest.approx(
        same.volume_mm3, rel=1e-9
    )


@pytest.mark.parametrize("name", TEMPLATES)
def test_compensation_goes_on_the_parameters_and_not_on_the_label(name):
    change = Compensation(1.01, 0.05, 0.06, -0.04, -0.03)
    rod = rod_of(name, "30.0")
    label = label_of(rod)
    built, plain = build(rod, label, change), build(rod, None, change)
    assert built.length_mm == pytest.approx(30.35)
    sizes = compensated(rod.template, Decimal("30.0"), change)
    for fitting, aimed in zip(sizes.fittings, (rod.template.lower.aimed, rod.template.upper.aimed),
                                strict=True):
        for key, offset in (("bore_diameter_mm", 0.06), ("pin_diameter_mm", -0.04),
                            ("ball_diameter_mm", -0.03)):
            if hasattr(aimed, key):
                assert getattr(fitting, key) == pytest.approx(getattr(aimed, key) + offset)
    taken = plain.volume_mm3 - built.volume_mm3
    assert taken == pytest.approx(label_volume_mm3(label, rod.template.label.depth_mm), rel=1e-6)


def test_bosses_as_high_as_the_bar_give_a_plain_rounded_end():
    rod = rod_of("eye-eye-flat", "30.0")
    eye = dataclasses.replace(rod.template.lower, boss_diameter_mm=6.5)
    template = dataclasses.replace(rod.template, lower=eye, upper=eye)
    built = build(dataclasses.replace(rod, template=template), None)
    # A slot 30 between centres, 6.5 high: 2 faces, 4 walls, 8 quarter rounds, 2 bores.
    assert len(built.shape.Faces()) == 16


@pytest.mark.parametrize(("diameter", "depth", "neck"), [
    (6.0, 1.3, 2.4), (6.0, 1.75, 2.4), (15.0, 5.0, 4.8), (10.0, 4.0, 1.9), (8.0, 0.1, 2.0),
])
def test_flats_of_every_depth_are_built(diameter, depth, neck):
    template = TEMPLATES["ball-ball-round"]
    ball = dataclasses.replace(
        template.lower, ball_diameter_mm=7.0, neck_diameter_mm=neck, neck_length_mm=4.0
    )
    bar = dataclasses.replace(template.body, diameter_mm=diameter, flat_depth_mm=depth)
    template = dataclasses.replace(template, body=bar, lower=ball, upper=ball)
    built = build(Rod(template, Decimal(60), Hand.MINUS_Y, "", False), None)
    assert mesh_of(built.solid).triangles.shape[0] > 1000  # and can be meshed


def test_crosspin_stands_on_the_inward_face_of_the_lower_end():
    name = next(n for n in TEMPLATES if isinstance(TEMPLATES[n].lower, Crosspin))
    for hand in Hand:
        shape = build(rod_of(name, "30.0", hand), None).shape
        y = face_y(rod_of(name, "30.0"))
        assert inside(shape, -15.0, hand.inward_y * (y + 1.0), 0.0)
        assert not inside(shape, -15.0, -hand.inward_y * (y + 1.0), 0.0)
        assert not inside(shape, 15.0, hand.inward_y * (y + 1.0), 0.0)


def test_a_crosspin_recorded_before_roots_were_told_is_built_as_it_was():
    """Without the key the root is sharp: one face less, and a record of its own content."""
    template = TEMPLATES["crosspin-eye-flat"]
    content = jsonable(template)
    root = content["lower"].pop("root_radius_mm")
    recorded, problems = read_record(RodTemplate, content)
    assert not problems
    assert jsonable(recorded) == content
    now, before = (
        build(Rod(one, Decimal("33.6"), Hand.MINUS_Y, "L", False), None)
        for one in (template, recorded)
    )
    assert len(before.shape.Faces()) == len(now.shape.Faces()) - 1
    radius = template.lower.aim_mm / 2
    # A ring of a square's corner round the pin (Pappus): r² (1 − π/4), its middle 0.223 r away.
    ring = 2 * math.pi * (radius + 0.2234 * root) * root**2 * (1 - math.pi / 4)
    assert now.volume_mm3 - before.volume_mm3 == pytest.approx(ring, rel=1e-3)
