"""Labels laid out: sizes of ISO 3098, widths, spaces, the bar, and what cannot be set."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Disc
from labkit.core.rod.curves import box, enclosed_area
from labkit.errors import LabelError
from tests.support.stroke_field import coverage

LETTERING = load_lettering()
GLYPHS = {glyph.char: glyph for glyph in LETTERING.glyphs}

#: ISO 3098 type B as printed: nominal height, stroke, space between words (extract of NF EN
#: ISO 3098-0 in a French course text; heights also in SP 46 of the Bureau of Indian Standards).
ISO_3098_TYPE_B = [
    (1.8, 0.18, 1.08), (2.5, 0.25, 1.5), (3.5, 0.35, 2.1), (5.0, 0.5, 3.0), (7.0, 0.7, 4.2),
    (10.0, 1.0, 6.0),
]


@pytest.mark.parametrize(("height", "stroke", "_word"), ISO_3098_TYPE_B)
def test_heights_and_strokes_are_those_of_iso_3098(height, stroke, _word):
    engraving = lay_out(LETTERING, "0123456789", False, height)
    assert engraving.height_mm == height
    assert engraving.stroke_mm == pytest.approx(stroke, abs=1e-9)
    assert engraving.depth_mm == pytest.approx(height, abs=1e-9)


def test_the_series_is_that_of_iso_3098():
    assert LETTERING.heights_mm == tuple(row[0] for row in ISO_3098_TYPE_B)
    ratios = np.divide(LETTERING.heights_mm[1:], LETTERING.heights_mm[:-1])
    assert ratios == pytest.approx(math.sqrt(2.0), rel=0.03)


@pytest.mark.parametrize("text", ["33.6", "8.0", "11.1", "44.4L", "60.0R", "57.7"])
def test_characters_keep_the_space_of_iso_3098(text):
    """Type B: at least 2/10 h between characters (two strokes); here wider, for a coarse print."""
    engraving = lay_out(LETTERING, text, False, 3.5)
    for before, after in zip(engraving.glyphs, engraving.glyphs[1:], strict=False):
        gap = after.left - before.right
        assert gap >= 0.2 * 3.5 - 1e-9
        if "." in (before.char, after.char):
            assert gap >= 0.32 * 3.5 - 1e-9
        if after.char in "LR":
            assert gap >= 0.4 * 3.5 - 1e-9


def test_the_point_is_a_disc_larger_than_the_stroke():
    (point,) = GLYPHS["."].marks
    assert isinstance(point, Disc)
    assert 2 * point.radius == pytest.approx(0.24)
    assert 2 * point.radius >= 2 * LETTERING.stroke


def test_digits_advance_equally():
    assert {
        (GLYPHS[c].width, GLYPHS[c].space_before, GLYPHS[c].space_after) for c in "0123456789"
    } == {(0.6, 0.24, 0.24)}
    widths = {lay_out(LETTERING, f"0{digit}0", False, 2.5).width_mm for digit in "0123456789"}
    assert max(widths) - min(widths) < 1e-9


@pytest.mark.parametrize(
    ("text", "height", "most"), [("33.6", 3.5, 10.6), ("33.6L", 2.5, 9.9), ("33.6R", 2.5, 9.9)]
)
def test_a_label_is_as_short_as_the_templates_need(text, height, most):
    """The room that the example templates give a label at their shortest length."""
    assert lay_out(LETTERING, text, False, height).width_mm <= most


def test_a_width_added_up_by_hand():
    """0, point, 0: 0.6 + 0.32 + 0.24 + 0.32 + 0.6 heights; both zeros fill their cells."""
    assert lay_out(LETTERING, "0.0", False, 2.5).width_mm == pytest.approx(2.08 * 2.5, abs=1e-9)


@pytest.mark.parametrize("bar", [False, True])
def test_the_origin_is_the_centre_of_the_box(bar):
    engraving = lay_out(LETTERING, "61.9", bar, 3.5)
    left, right, bottom, top = box(tuple(p for r in engraving.regions() for p in r.outer))
    assert (left, right) == pytest.approx((-engraving.width_mm / 2, engraving.width_mm / 2))
    assert (bottom, top) == pytest.approx((-engraving.depth_mm / 2, engraving.depth_mm / 2))
    assert min(glyph.left for glyph in engraving.glyphs) == pytest.approx(left)
    assert max(glyph.top for glyph in engraving.glyphs) == pytest.approx(top)


def test_the_bar_runs_under_the_whole_text():
    """Clear of the text by bar_gap = 0.2 h, as thick as a stroke, as wide as the text."""
    engraving = lay_out(LETTERING, "61.9", True, 3.5)
    *text, bar = engraving.glyphs
    assert "".join(glyph.char for glyph in text) == engraving.text == "61.9"
    assert bar.char == "_"
    assert bar.left == pytest.approx(min(glyph.left for glyph in text))
    assert bar.right == pytest.approx(max(glyph.right for glyph in text))
    assert min(glyph.bottom for glyph in text) - bar.top == pytest.approx(0.7)
    assert bar.top - bar.bottom == pytest.approx(0.35)
    assert engraving.depth_mm == pytest.approx(3.5 * 1.3)


def test_outlines_and_centrelines_of_a_label_cover_the_same_area():
    engraving = lay_out(LETTERING, "25.4R", True, 2.5)
    exact = sum(
        enclosed_area(loop)
        for region in engraving.regions()
        for loop in (region.outer, *region.holes)
    )
    pitch = 0.0037
    xs, ys = (np.arange(-6.0 + pitch / 2, 6.0, pitch) for _ in range(2))
    marks = tuple(mark for glyph in engraving.glyphs for mark in glyph.marks)
    assert coverage(marks, engraving.stroke_mm, xs, ys).sum() * pitch**2 == pytest.approx(
        exact,
        rel=5e-3,  # a grid row more or less along the bar and feet
    )


# --- what cannot be set


def test_an_unknown_character_is_named():
    with pytest.raises(LabelError) as caught:
        lay_out(LETTERING, "33,6", False, 3.5)
    assert str(caught.value) == (
        "label '33,6': the character ',' cannot be engraved; the lettering one-stroke has "
        ". 0 1 2 3 4 5 6 7 8 9 L R: use only these"
    )


def test_an_empty_label_is_refused():
    with pytest.raises(LabelError, match=r"label '': an empty text cannot be engraved"):
        lay_out(LETTERING, "", False, 3.5)


def test_a_height_outside_the_series_is_refused():
    with pytest.raises(LabelError) as caught:
        lay_out(LETTERING, "33.6", False, 3.0)
    assert str(caught.value) == (
        "label '33.6': a height of 3 mm is not in the series; choose one of "
        "1.8, 2.5, 3.5, 5, 7, 10 mm"
    )


# --- the drawing of the characters

PIXELS = 100
#: Two different characters share at most this part of their ink, in any attitude and however they
#: are shifted against one another by up to 0.1 h (6 and 8 share the lower loop and a flank).
MOST_SHARED = 0.67


def picture(char):
    """Coverage of one character at 100 pixels a height, its box centred."""
    engraving = lay_out(LETTERING, char, False, 10.0)
    step = 10.0 / PIXELS
    xs, ys = ((np.arange(n) - (n - 1) / 2) * step for n in (100, 140))
    marks = tuple(mark for glyph in engraving.glyphs for mark in glyph.marks)
    return coverage(marks, engraving.stroke_mm, xs, ys)


PICTURES = {char: picture(char) for char in GLYPHS if char != "."}
ATTITUDES = {
    "upright": lambda image: image,
    "turned by half": lambda image: image[::-1, ::-1],
    "mirrored": lambda image: image[:, ::-1],
    "upside down and mirrored": lambda image: image[::-1],
}


def shared(a, b):
    """Ink in common over ink of either, at the best of small shifts."""
    shifts = [(dy, dx) for dy in range(-10, 11, 2) for dx in range(-10, 11, 2)]
    moved = [np.roll(b, shift, (0, 1)) for shift in shifts]
    return max((image & a).sum() / (image | a).sum() for image in moved)


@pytest.mark.parametrize("attitude", ATTITUDES)
@pytest.mark.parametrize("char", PICTURES)
def test_no_character_looks_like_another(char, attitude):
    turned = ATTITUDES[attitude](PICTURES[char])
    others = {other: shared(PICTURES[other], turned) for other in PICTURES if other != char}
    assert max(others.values()) < MOST_SHARED, others


def test_six_and_nine_differ_by_more_than_a_half_turn():
    """A plain six and nine would share all their ink."""
    six = PICTURES["6"]
    assert shared(six, six) == 1.0
    assert shared(PICTURES["9"], six[::-1, ::-1]) < 0.65
    assert shared(PICTURES["9"], six) < 0.3


def test_a_turned_one_is_no_one():
    one = PICTURES["1"]
    assert shared(one, one[::-1, ::-1]) < 0.55


@pytest.mark.parametrize("char", "358")
def test_three_five_and_eight_are_well_apart(char):
    assert all(shared(PICTURES[char], PICTURES[other]) < 0.64 for other in "358" if other != char)


@pytest.mark.parametrize(
    ("char", "holes"), [*zip("0123456789LR", (1, 0, 0, 0, 0, 0, 1, 0, 2, 1, 0, 1), strict=True)]
)
def test_closed_loops_are_those_of_the_character(char, holes):
    """An open 4 has none; no dot or slash in the 0."""
    (region,) = lay_out(LETTERING, char, False, 2.5).regions()
    assert len(region.holes) == holes
