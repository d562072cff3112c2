"""Wider or narrower strokes as built: in the mesh alone, read as the same label, never in STEP."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out, widened
from labkit.core.label.place import check_label, lay_out_rod
from labkit.core.rod.outlines import region_area_mm2
from labkit.core.rod.rods import Compensation, Hand, Rod
from labkit.errors import LabelError
from labkit.exports.check.read_label import read_label
from labkit.exports.check.stl_reader import read_stl
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.stl import write_stl
from labkit.solids.build import build
from labkit.workflow.process.coupons import CouponsAsked, make_coupons

LETTERING = load_lettering()
NOMINAL = processes()["nominal"]


def of_strokes(by_mm):
    """The nominal process with an offset of its strokes."""
    offset = replace(NOMINAL.compensation, label_stroke_offset_mm=by_mm)
    return replace(NOMINAL, compensation=offset)


@pytest.mark.parametrize("by", [-0.05, -0.03, 0.02, 0.04])
def test_a_straight_stroke_has_the_area_of_a_slot(by):
    # Steiner's formula: a line of length L, reached round by r = s/2, covers L s + π s²/4.
    wider = widened(lay_out(LETTERING, "6", True, 2.5), by)
    bar = wider.glyphs[-1]
    stroke = 0.25 + by
    (region,) = bar.regions
    length = bar.right - bar.left - stroke
    assert region_area_mm2(region) == pytest.approx(length * stroke + math.pi * stroke**2 / 4)
    assert length == pytest.approx(lay_out(LETTERING, "6", True, 2.5).glyphs[-1].right * 2 - 0.25)


def test_a_point_grows_with_the_strokes_and_nothing_moves():
    plain = lay_out(LETTERING, "33.6", False, 2.5)
    wider = widened(plain, 0.04)
    for one, other in zip(plain.glyphs, wider.glyphs, strict=True):
        assert (one.left + one.right) == pytest.approx(other.left + other.right)
        assert other.right - other.left == pytest.approx(one.right - one.left + 0.04)
    point, larger = plain.glyphs[2].marks[0], wider.glyphs[2].marks[0]
    assert larger.center == pytest.approx(point.center)
    assert larger.radius == pytest.approx(point.radius + 0.02)


def test_files_with_other_strokes_pass_every_check_and_step_is_the_same(tmp_path):
    day, lengths = datetime.date(2031, 3, 14), tuple(map(Decimal, ("36.8", "41.0", "49.6")))
    for name, process in (("nominal", NOMINAL), ("built", of_strokes(0.04))):
        asked = CouponsAsked(rod_templates()["eye-eye-flat-slim"], process, day, lengths, 2)
        make_coupons(asked, tmp_path / name, lambda _: None)  # a failed check is an error
    for step in (tmp_path / "nominal" / "step").iterdir():
        assert step.read_bytes() == (tmp_path / "built" / "step" / step.name).read_bytes()
    for stl in (tmp_path / "nominal" / "stl").iterdir():
        assert stl.read_bytes() != (tmp_path / "built" / "stl" / stl.name).read_bytes()


@pytest.mark.parametrize(
    ("name", "by"), [*((name, 0.04) for name in rod_templates()), ("eye-eye-flat-slim", -0.05)]
)
def test_every_template_is_read_back_with_other_strokes(tmp_path, name, by):
    template = rod_templates()[name]
    rod = Rod(template.used_for(""), Decimal("36.8"), Hand.MINUS_Y, "L", False)
    shape = rod_shape(rod, lay_out_rod(LETTERING, rod), of_strokes(by).compensation)
    write_stl(shape.mesh(), tmp_path / "rod.stl", "test")
    label, drawn = template.label, LETTERING.wider(by / template.label.height_mm)
    mesh = read_stl(tmp_path / "rod.stl")
    found = read_label(mesh, -1, drawn, label.height_mm, label.margin_mm)
    assert (found.text, found.clear) == ("36.8L", True)
    assert min(char.score for char in found.chars) > 0.8


def test_the_kernel_builds_the_same():
    rod = Rod(rod_templates()["eye-eye-flat"], Decimal("34.8"), Hand.MINUS_Y, "", False)
    engraving, by = lay_out_rod(LETTERING, rod), Compensation(label_stroke_offset_mm=0.04)
    shape, built = rod_shape(rod, engraving, by), build(rod, engraving, by)
    assert built.volume_mm3 == pytest.approx(shape.volume_mm3, abs=1e-6)
    assert shape.volume_mm3 < rod_shape(rod, engraving).volume_mm3


def test_strokes_too_narrow_for_the_process_are_refused():
    rod = Rod(rod_templates()["eye-eye-flat"], Decimal("34.8"), Hand.MINUS_Y, "", False)
    engraving = lay_out_rod(LETTERING, rod)
    thin = of_strokes(-0.05)
    coarse = replace(thin, legibility=replace(thin.legibility, least_stroke_mm=0.31))
    with pytest.raises(LabelError, match=r"its stroke width is 0\.3 mm, but process nom"):
        check_label(LETTERING, rod.template, coarse, engraving, 34.8)
