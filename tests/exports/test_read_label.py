"""Labels read back from the mesh: right ones, and every way in which one can be wrong."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Arc, Disc, Glyph, Lettering, Line
from labkit.core.rod.rods import Hand
from labkit.exports.check import limits
from labkit.exports.check.glyph_raster import BORDER_PIXELS, _distance, rasters
from labkit.exports.check.measure_mesh import measure_mesh
from labkit.exports.check.measured import Ends
from labkit.exports.check.outward_face import outward_roughness
from labkit.exports.check.read_label import _grown, _lines, _read_line, read_label
from labkit.exports.check.stl_reader import FacetMesh, read_stl
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

PARTS = [
    rod(EYE_EYE, "33.6", bar=True), rod(EYE_EYE, "28.4"), rod(PIN_EYE, "41.7"),
    rod(PIN_EYE, "20.9", Hand.PLUS_Y, bar=True), rod(BALL_BALL, "35.0"),
]


def reading(part, wrong=RIGHT, toward_y=None):
    mesh = read_stl(made(part, wrong)[1])
    return read_label(mesh, toward_y or part.hand.inward_y, LETTERING, 2.5, 0.3)


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.part)
def test_read_as_engraved(part):
    label = reading(part)
    assert (label.text, label.bar, label.problem) == (part.engraving, part.bar, "")
    assert label.least_score > limits.LEAST_SCORE
    assert label.least_margin > limits.LEAST_MARGIN
    assert label.depth_mm == pytest.approx(0.3, abs=limits.LABEL_DEPTH_MM)
    assert label.depth_spread_mm < limits.LABEL_DEPTH_MM
    assert label.height_mm == pytest.approx(2.5, abs=2 * 2.5 / limits.PIXELS_PER_HEIGHT)
    assert label.clear


def test_another_length_is_read_as_that():
    assert reading(rod(EYE_EYE, "28.4"), Wrong(text="28.9")).text == "28.9"


def test_a_missing_point_is_missing():
    assert reading(rod(EYE_EYE, "28.4"), Wrong(text="284")).text == "284"


def test_a_missing_bar_is_missing():
    label = reading(rod(EYE_EYE, "33.6", bar=True), Wrong(omit_bar=True))
    assert (label.text, label.bar) == ("33.6", False)


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.part)
def test_a_mirrored_label_is_not_read_as_right(part):
    label = reading(part, Wrong(mirrored=True))
    assert label.text != part.engraving
    assert label.least_score < limits.LEAST_SCORE or "." not in label.text[2]


@pytest.mark.parametrize("part", PARTS[:4], ids=lambda part: part.part)
def test_a_label_on_the_outward_face_is_not_found_inward(part):
    label = reading(part, Wrong(outward=True))
    assert (label.text, label.problem) == ("", "there is no engraving in the face")


def test_the_label_is_not_read_through_the_part():
    part = PARTS[0]
    assert reading(part, toward_y=-part.hand.inward_y).text == ""


def test_upside_down_is_not_read_as_right():
    mesh = read_stl(made(rod(EYE_EYE, "33.6", bar=True))[1])
    turned = FacetMesh(mesh.vertices * [-1.0, 1.0, -1.0], mesh.triangles)
    label = read_label(turned, -1, LETTERING, 2.5, 0.3)
    assert label.text != "33.6"
    assert label.problem.startswith("there are marks above")


def test_a_shallow_engraving_measures_so():
    label = reading(rod(EYE_EYE, "28.4"), Wrong(depth_mm=0.28))
    assert label.depth_mm == pytest.approx(0.28, abs=1e-6)


@pytest.mark.parametrize("part", [PARTS[0], PARTS[4]], ids=lambda part: part.part)
def test_a_plain_rod_has_no_label(part):
    assert reading(part, Wrong(plain=True)).problem == "there is no engraving in the face"


def test_no_face_at_all():
    mesh = read_stl(made(PARTS[0])[1])
    empty = FacetMesh(mesh.vertices, mesh.triangles[:0])
    assert read_label(empty, -1, LETTERING, 2.5, 0.3).problem.startswith("there is no plane face")


@pytest.mark.parametrize("part", [PARTS[0], PARTS[2], PARTS[3], PARTS[4]], ids=lambda p: p.part)
def test_the_outward_face_is_smooth_and_an_engraving_there_is_seen(part):
    found = {}
    for wrong in (RIGHT, Wrong(outward=True)):
        mesh = read_stl(made(part, wrong)[1])
        ends = measure_mesh(mesh, part.template).ends
        found[wrong] = outward_roughness(mesh, -part.hand.inward_y, part.template, ends)
    assert found[RIGHT] <= limits.OUTWARD_SMOOTH_MM
    assert found[Wrong(outward=True)] > 2 * limits.OUTWARD_SMOOTH_MM


def drawn_label(engraving, phase):
    """Pixels of a laid-out label by distance to its centrelines, one pixel grid shifted."""
    pixel = engraving.height_mm / limits.PIXELS_PER_HEIGHT
    columns, rows = (int(size / pixel) + 4 for size in (engraving.width_mm, engraving.depth_mm))
    y, x = np.indices((rows, columns)) + phase
    x, y = x * pixel - engraving.width_mm / 2 - pixel, y * pixel - engraving.depth_mm / 2 - pixel
    ink = np.zeros(x.shape, dtype=bool)
    for glyph in engraving.glyphs:
        columns = np.flatnonzero((x[0] > glyph.left - pixel) & (x[0] < glyph.right + pixel))
        part = (slice(None), slice(columns[0], columns[-1] + 1))
        for mark in glyph.marks:
            reach = mark.radius if isinstance(mark, Disc) else engraving.stroke_mm / 2
            ink[part] |= _distance(mark, x[part], y[part]) <= reach
    return ink


@pytest.mark.parametrize("tens", range(1, 7))
def test_every_label_of_the_program_s_lettering_reads_back(tens):
    lettering, phases = load_lettering(), np.random.default_rng(tens)
    for tenths in range(max(80, 100 * (tens - 1)), min(601, 100 * tens)):
        text, bar = f"{tenths / 10:.1f}" + ("", "L", "R")[tenths % 3], tenths % 2 == 0
        ink = drawn_label(lay_out(lettering, text, bar, 2.5), phases.random())
        lines = _lines(ink, lettering.stroke * limits.PIXELS_PER_HEIGHT)
        chars = _read_line(ink[lines.text[0] : lines.text[1]], lettering)
        assert "".join(char.char for char in chars) == text
        assert (lines.bar, lines.problem) == (bar, "")
        assert min(char.margin for char in chars) > 2 * limits.LEAST_MARGIN
        assert min(char.score for char in chars) > limits.LEAST_SCORE


def test_a_covered_engraving_is_not_read():
    mesh = read_stl(made(PARTS[0])[1])
    lid = np.array([[-9.0, -4, -4], [9, -4, -4], [9, -4, 4], [-9, -4, 4]])
    covered = FacetMesh(
        np.vstack([mesh.vertices, lid]),
        np.vstack([mesh.triangles, np.array([[0, 1, 2], [0, 2, 3]]) + len(mesh.vertices)]),
    )
    # The lid is smaller than the face, so the face is still the label's.
    assert read_label(covered, -1, LETTERING, 2.5, 0.3).problem == "the engraving is covered"


def test_a_label_too_near_the_edge_is_not_clear():
    mesh = read_stl(made(PARTS[0])[1])
    # The bar's lower edge lies 3.25 − 3.475/2 = 1.51 mm from the edge of the face.
    assert read_label(mesh, -1, LETTERING, 2.5, 1.4).clear
    assert not read_label(mesh, -1, LETTERING, 2.5, 1.65).clear


@pytest.mark.parametrize(
    ("under", "problem"),
    [
        ((slice(0, 5), slice(0, 60)), ""),
        ((slice(0, 5), slice(0, 20)), "no bar"),
        ((slice(0, 12), slice(0, 60)), "no bar"),
        ((slice(0, 5), slice(0, 60, 2)), "no bar"),
        ((slice(95, 100), slice(0, 60)), "above"),
    ],
    ids=["bar", "too short", "too high", "broken", "above"],
)
def test_what_counts_as_a_bar(under, problem):
    ink = np.zeros((100, 60), dtype=bool)
    ink[20:84, ::3] = True
    ink[under] = True
    lines = _lines(ink, 5.0)
    assert lines.text == (20, 84)
    assert lines.bar is (problem == "")
    assert problem in lines.problem


def test_outward_face_of_a_part_without_fittings_is_not_judged():
    part = rod(EYE_EYE, "33.6")
    mesh = read_stl(made(part)[1])
    assert outward_roughness(mesh, 1, EYE_EYE, Ends(None, None, False)) is None


def test_a_hole_in_the_outward_face_is_seen():
    part = rod(EYE_EYE, "33.6")
    mesh = read_stl(made(part)[1])
    ends = measure_mesh(mesh, EYE_EYE).ends
    outward = np.flatnonzero(mesh.normals[:, 1] > 0.999)
    largest = outward[np.argmax(mesh.crosses[outward, 1])]
    holed = FacetMesh(mesh.vertices, np.delete(mesh.triangles, largest, axis=0))
    assert outward_roughness(holed, 1, EYE_EYE, ends) == 99.0


# The lettering of the program: every character against every other, and how it is drawn.


@pytest.mark.parametrize("lettering", [load_lettering(), LETTERING], ids=lambda one: one.name)
def test_every_character_is_told_from_every_other(lettering):
    drawn = rasters(lettering)
    for index, glyph in enumerate(lettering.glyphs):
        ink = drawn[index][BORDER_PIXELS:-BORDER_PIXELS]
        (read,) = _read_line(ink, lettering)
        assert read.char == glyph.char
        assert read.score == 1.0
        assert read.margin > 2 * limits.LEAST_MARGIN


@pytest.mark.parametrize("lettering", [load_lettering(), LETTERING], ids=lambda one: one.name)
def test_mirrored_and_turned_characters_do_not_pass_for_others(lettering):
    """The 0, the 8 and the point look the same in a mirror; nothing else may be misread."""
    drawn = rasters(lettering)
    for index, glyph in enumerate(lettering.glyphs):
        ink = drawn[index][BORDER_PIXELS:-BORDER_PIXELS, ::-1]
        (read,) = _read_line(ink, lettering)
        assert read.char in ("?", glyph.char)
        if glyph.char in "234567LR":
            assert read.char == "?"


def test_a_character_out_of_the_lettering_is_unknown():
    ink = np.zeros((64, 40), dtype=bool)
    ink[:, :4] = ink[:, -4:] = ink[:4] = ink[-4:] = True
    ink[np.arange(40), np.arange(40)] = True
    (read,) = _read_line(ink, load_lettering())
    assert read.char == "?"


def test_two_characters_run_together_are_unknown():
    drawn = rasters(LETTERING)
    ink = np.hstack([drawn[3][3:-3, 3:-3], drawn[8][3:-3, 3:-3]])
    ink[0] = True
    (read,) = _read_line(ink, LETTERING)
    assert (read.char, read.score) == ("?", 0.0)


def test_a_point_is_not_stretched_to_a_digit():
    """A disc a fifth as high as the characters is a point wherever its own box would be filled."""
    point = next(g for g in load_lettering().glyphs if g.char == ".")
    drawn = rasters(Lettering("one", 0.1, 0.2, (2.5,), (point,)))
    ink = drawn[0][BORDER_PIXELS:-BORDER_PIXELS]
    assert 0 < ink.any(axis=1).sum() < 0.4 * limits.PIXELS_PER_HEIGHT
    (read,) = _read_line(ink, load_lettering())
    assert read.char == "."


@pytest.mark.parametrize(
    "mark", [
        Line((0.1, 0.2), (0.6, 0.8)), Disc((0.4, 0.5), 0.2),
        Arc((0.4, 0.5), 0.3, 30.0, 200.0), Arc((0.4, 0.5), 0.3, -60.0, -250.0),
        Arc((0.4, 0.5), 0.3, 0.0, 360.0),
    ],
)
def test_ink_against_points_along_the_stroke(mark):
    """A pixel is ink where a point of the stroke's centreline is within half a stroke."""
    stroke, n = 0.1, limits.PIXELS_PER_HEIGHT
    drawn = rasters(Lettering("one", stroke, 0.2, (2.5,), (Glyph("x", 1.0, (mark,), 0.2, 0.2),)))
    share = np.linspace(0.0, 1.0, 4001)
    if isinstance(mark, Line):
        along = np.outer(1 - share, mark.start) + np.outer(share, mark.end)
    elif isinstance(mark, Arc):
        angle = np.radians(mark.start_deg + share * mark.sweep_deg)
        circle = np.column_stack([np.cos(angle), np.sin(angle)])
        along = np.array(mark.center) + mark.radius * circle
    else:
        along = np.array([mark.center])
    reach = mark.radius if isinstance(mark, Disc) else stroke / 2
    y, x = (np.indices(drawn[0].shape) - BORDER_PIXELS + 0.5) / n
    pixels = np.stack([x.ravel(), y.ravel()], axis=1)
    near = np.array([np.hypot(*(along - pixel).T).min() for pixel in pixels]) <= reach
    expected = near.reshape(x.shape)
    first = int(np.argmax(expected.any(axis=0)))
    assert np.array_equal(drawn[0], np.roll(expected, BORDER_PIXELS - first, axis=1))


def test_growing_by_a_disc_against_the_slow_way():
    random = np.random.default_rng(2)
    ink = random.random((23, 31)) > 0.985
    slow = np.zeros_like(ink)
    for row, column in itertools.product(range(23), range(31)):
        for y, x in np.argwhere(ink):
            slow[row, column] |= np.hypot(row - y, column - x) <= 4.5
    # By whole half-widths per row, as the growing does it.
    assert np.array_equal(_grown(ink, 4.5), slow)
