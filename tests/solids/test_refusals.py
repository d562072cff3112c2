"""Sizes that do not make a part, and kernel results that are not what was asked."""

from __future__ import annotations

import dataclasses

import cadquery as cq
import pytest

from labkit.core.label.lettering import Arc, Engraving, Line, PlacedGlyph, Region
from labkit.errors import GeometryError
from labkit.solids.build import build
from labkit.solids.guard import Expectation, guarded, volume_near
from tests.solids.rods_to_build import label_of, rod_of
from tests.support.rods import even

STOCK = 20.0 * 6.0 * 3.0


def stock():
    return cq.Workplane("XY").box(20, 6, 3)


def less_than_stock(**more):
    return Expectation(0.9 * STOCK, STOCK - 1e-3, **more)


def test_oversized_fillet():
    with pytest.raises(GeometryError, match=r"rounding the long edges for part 31\.5 did not"):
        guarded("rounding the long edges", "31.5",
                lambda: stock().edges("|X").fillet(2.9).val(), less_than_stock())


def test_cut_beside_the_part():
    with pytest.raises(GeometryError, match=r"the volume is 360.000000 mm³ and must lie between"):
        guarded("cutting the label", "31.5",
                lambda: stock().cut(cq.Workplane("XY").box(1, 1, 1).translate((50, 0, 0))).val(),
                less_than_stock())


def test_text_cut_beside_the_part():
    with pytest.raises(GeometryError, match=r"cutting the label for part 31\.5"):
        guarded("cutting the label", "31.5",
                lambda: stock().faces(">Z").workplane().center(60, 0).text("31.5", 2, -0.3).val(),
                less_than_stock())


def test_empty_result():
    with pytest.raises(GeometryError, match="it left 0 solids and must leave exactly one"):
        guarded("cutting", "31.5",
                lambda: stock().cut(cq.Workplane("XY").box(30, 30, 30)).val(), less_than_stock())


def test_result_in_two_pieces():
    with pytest.raises(GeometryError, match="it left 2 solids"):
        guarded("cutting", "31.5",
                lambda: stock().cut(cq.Workplane("XY").box(1, 30, 30)).val(), less_than_stock())


def test_nothing_returned():
    with pytest.raises(GeometryError, match="it left 0 solids"):
        guarded("cutting", "31.5", lambda: None, less_than_stock())


def test_kernel_exception():
    with pytest.raises(GeometryError, match="the kernel stopped with"):
        guarded("rounding", "31.5", lambda: stock().edges().fillet(50.0).val(), less_than_stock())


def test_envelope_and_faces():
    least, most = volume_near(STOCK)
    box = ((-10.0, -3.0, -1.5), (10.0, 3.0, 1.5))
    made = guarded("making", "31.5", lambda: stock().val(), Expectation(least, most, 6, box))
    assert made.volume_mm3 == pytest.approx(STOCK)
    with pytest.raises(GeometryError, match="has 6 faces and must have 7"):
        guarded("making", "31.5", lambda: stock().val(), Expectation(least, most, 7, box))
    moved = stock().translate((0.01, 0, 0)).val()
    with pytest.raises(GeometryError, match=r"bounding box is \(-9.9900"):
        guarded("making", "31.5", lambda: moved, Expectation(least, most, 6, box))


def test_open_shell_is_not_a_solid():
    shell = cq.Shell.makeShell(stock().faces("not >Z").vals())
    with pytest.raises(GeometryError):
        guarded("making", "31.5", lambda: cq.Solid.makeSolid(shell), less_than_stock())


def changed(rod, part, **sizes):
    target = getattr(rod.template, part)
    template = dataclasses.replace(rod.template, **{part: dataclasses.replace(target, **sizes)})
    return dataclasses.replace(rod, template=template)


EYE, PIN, BALL = "eye-eye-flat", "crosspin-eye-flat", "ball-ball-round"


@pytest.mark.parametrize(("name", "length", "part", "sizes", "sentence"), [
    (EYE, "30.0", "body", {"edge_radius_mm": 1.5}, "an edge radius of 1.5 mm does not fit"),
    (EYE, "30.0", "body", {"edge_radius_mm": 0.0}, "must be above 0 and below"),
    (EYE, "30.0", "body", {"blend_radius_mm": 0.0}, "a blend radius of 0 mm cannot join"),
    (EYE, "30.0", "lower", {"boss_diameter_mm": 6.0}, "is lower than its bar"),
    (EYE, "30.0", "lower", {"bore_diameter_mm": 6.6},
     "a bore or pin of 6.6 mm at the face does not fit"),
    (PIN, "30.0", "lower", {"boss_diameter_mm": 4.6, "lip_diameter_mm": 4.5},
     "a bore or pin of 3.6 mm at the face does not fit a boss of 4.6 mm"),
    (EYE, "5.0", "body", {}, "has no straight piece left between the bosses' blends"),
    (PIN, "30.0", "lower", {"lip_diameter_mm": 3.4}, "does not hold on a pin of 3 mm"),
    (PIN, "30.0", "lower", {"root_radius_mm": 0.61},
     "a root of 0.61 mm does not fit a pin of 3 mm, 3.5 mm long, .*; it must be at most 0.6 mm"),
    (BALL, "30.0", "body", {"flat_depth_mm": 3.0}, "a flat 3 mm deep does not fit"),
    (BALL, "30.0", "lower", {"neck_diameter_mm": 3.7}, "a neck of 3.7 mm does not fit"),
    (BALL, "30.0", "lower", {"neck_diameter_mm": 7.0}, "a neck of 7 mm does not fit"),
    (BALL, "30.0", "upper", {"neck_length_mm": 1.9}, "leaves no room between a ball"),
    (BALL, "11.0", "body", {}, "has no straight piece left between its domes"),
])
def test_sizes_that_do_not_make_a_part(name, length, part, sizes, sentence):
    rod = rod_of(name, length)
    rod = changed(dataclasses.replace(rod, template=even(rod.template)), part, **sizes)
    with pytest.raises(GeometryError, match=sentence):
        build(rod, None)


def engraving_of(*regions):
    glyph = PlacedGlyph("1", (), regions, -1.0, 1.0, -1.0, 1.0)
    return Engraving("1", False, 2.0, 0.4, 2.0, 2.0, (glyph,))


def test_label_outline_with_a_gap():
    gap = Region((Line((0.0, 0.0), (1.0, 0.0)), Line((1.0, 0.0), (0.5, 1.0)),
                  Line((0.5, 1.0), (0.0, 0.1))))
    with pytest.raises(GeometryError, match=r"outline of the label .1. has a gap of 0\.1 mm"):
        build(rod_of(EYE, "30.0"), engraving_of(gap))


def test_label_beside_its_face():
    away = Region((Arc((0.0, 9.0), 0.5, 0.0, 360.0),))
    with pytest.raises(GeometryError, match="did not do what was asked"):
        build(rod_of(EYE, "30.0"), engraving_of(away))


def test_label_across_the_edge():
    across = Region((Arc((0.0, 2.75), 0.5, 0.0, 360.0),))
    with pytest.raises(GeometryError, match="did not do what was asked"):
        build(rod_of(EYE, "30.0"), engraving_of(across))


def test_label_without_depth():
    rod = changed(rod_of(EYE, "30.0"), "label", depth_mm=0.0)
    with pytest.raises(GeometryError, match="the depth must be above 0"):
        build(rod, label_of(rod))


def test_label_through_the_bar():
    rod = changed(rod_of(EYE, "30.0"), "label", depth_mm=3.5)
    with pytest.raises(GeometryError, match="did not do what was asked"):
        build(rod, label_of(rod))
