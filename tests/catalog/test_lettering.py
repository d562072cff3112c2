"""Lettering files: the roundings drawn right, and every mistake told with file and key."""

from __future__ import annotations

import math
import re

import pytest

from labkit.catalog.lettering import DEFAULT_FILE, load_lettering
from labkit.catalog.places import templates_dir
from labkit.core.label.lettering import Arc, Disc, Line
from labkit.core.label.rules import CASE_MARK_LETTERS
from labkit.core.rod.curves import at, enclosed_area
from labkit.core.rod.outline import outline
from labkit.errors import InputError

FILE = """\
schema = 1
name = "trial"
stroke = 0.1
bar_gap = 0.2
heights_mm = [2.5, 3.5]

[[glyph]]
char = "L"
width = 0.5
space = 0.2
strokes = [{ path = [[0.05, 0.95], [0.05, 0.05], [0.45, 0.05]] }]

[[letter]]
char = "T"
width = 0.5
space = 0.2
strokes = [{ path = [[0.05, 0.95], [0.45, 0.95]] }]
"""
GLYPH = FILE[FILE.index("[[glyph]]") : FILE.index("[[letter]]")]
STROKES = "{ path = [[0.05, 0.95], [0.05, 0.05], [0.45, 0.05]] }"


@pytest.fixture
def read(tmp_path):
    def reader(old="", new="", text=FILE):
        assert old in text
        path = tmp_path / "trial.toml"
        path.write_text(text.replace(old, new, 1) if old else text, encoding="utf-8")
        return load_lettering(path)

    return reader


def marks_of(read, strokes):
    (glyph,) = read(STROKES, strokes).glyphs
    return glyph.marks


# --- what is read


def test_the_lettering_that_comes_with_the_program():
    lettering = load_lettering()
    assert (lettering.name, lettering.stroke, len(lettering.glyphs)) == ("one-stroke", 0.1, 13)
    assert load_lettering() is lettering
    assert "".join(glyph.char for glyph in lettering.letters) == CASE_MARK_LETTERS
    every = "".join(glyph.char for glyph in lettering.of_case_marks.glyphs)
    assert every == f"0123456789{CASE_MARK_LETTERS}"


def test_its_outlines_hold_as_those_of_any_file():
    """Commands trust the one that comes with the program; read as a file, each glyph is checked."""
    assert load_lettering(templates_dir() / "lettering" / DEFAULT_FILE) == load_lettering()


def test_a_path_is_lines(read):
    assert marks_of(read, STROKES) == (
        Line((0.05, 0.95), (0.05, 0.05)), Line((0.05, 0.05), (0.45, 0.05)),
    )


def test_a_disc_has_half_its_diameter(read):
    assert marks_of(read, "{ disc = [0.2, 0.2, 0.3] }") == (Disc((0.2, 0.2), 0.15),)


def test_a_rounded_corner_is_an_arc_that_meets_both_legs(read):
    """A right angle turned left by radius 0.2: centre 0.2 inside both legs, a quarter turn."""
    first, arc, last = marks_of(read, "{ path = [[0.05, 0.95], [0.05, 0.05, 0.2], [0.45, 0.05]] }")
    assert isinstance(arc, Arc)
    assert arc.center == pytest.approx((0.25, 0.25))
    assert (arc.radius, arc.start_deg, arc.sweep_deg) == pytest.approx((0.2, 180.0, 90.0))
    assert at(first, 1.0) == pytest.approx(at(arc, 0.0), abs=1e-15)
    assert at(arc, 1.0) == pytest.approx(at(last, 0.0), abs=1e-15)


def test_a_corner_to_the_right_turns_clockwise(read):
    _, arc, _ = marks_of(read, "{ path = [[0.05, 0.05], [0.05, 0.95, 0.2], [0.45, 0.95]] }")
    assert (arc.start_deg, arc.sweep_deg) == pytest.approx((180.0, -90.0))


def test_a_slanted_corner_is_tangent_to_its_legs(read):
    """At each end the arc's radius stands square on the leg."""
    first, arc, last = marks_of(read, "{ path = [[0.05, 0.05], [0.25, 0.95, 0.04], [0.42, 0.1]] }")
    for leg, point in ((first, at(arc, 0.0)), (last, at(arc, 1.0))):
        along = (leg.end[0] - leg.start[0], leg.end[1] - leg.start[1])
        spoke = (point[0] - arc.center[0], point[1] - arc.center[1])
        assert along[0] * spoke[0] + along[1] * spoke[1] == pytest.approx(0.0, abs=1e-15)


def test_a_ring_whose_roundings_use_up_its_legs_is_a_circle(read):
    corners = "[0.05, 0.05, 0.2], [0.45, 0.05, 0.2], [0.45, 0.45, 0.2], [0.05, 0.45, 0.2]"
    marks = marks_of(read, f"{{ ring = [{corners}] }}")
    assert [type(mark) for mark in marks] == [Arc] * 4
    (region,) = outline(marks, 0.1)
    assert enclosed_area(region.outer) == pytest.approx(math.pi * 0.25**2)
    assert enclosed_area(region.holes[0]) == pytest.approx(-math.pi * 0.15**2)


# --- what is refused

MISTAKES = [
    ("schema = 1", "schema = 2", "schema is 2; allowed: 1"),
    ("schema = 1\n", "", "schema is missing; allowed: all of schema, name, stroke"),
    ("bar_gap", "bargap", "bargap is 0.2; allowed: only schema, name, stroke, bar_gap"),
    ('"trial"', '""', "name is ''; allowed: a text"),
    ("stroke = 0.1", "stroke = 0.5", "stroke is 0.5; allowed: a number from 0.02 to 0.3"),
    ("stroke = 0.1", "stroke = true", "stroke is True; allowed: a number"),
    ("stroke = 0.1", "stroke = nan", "stroke is nan; allowed: a number from 0.02 to 0.3"),
    ("[2.5, 3.5]", "[3.5, 2.5]", "heights_mm is [3.5, 2.5]; allowed: rising heights"),
    ("[2.5, 3.5]", "[]", "heights_mm is []; allowed: a list of 1 to 20 numbers"),
    ("[2.5, 3.5]", "3.5", "heights_mm is 3.5; allowed: a list of 1 to 20 numbers"),
    ('"L"', '"LR"', "glyph[0].char is 'LR'; allowed: one character"),
    ("space = 0.2\n", "", "glyph[0].space is missing; allowed: all of char, width, space, strokes"),
    ("width = 0.5", "width = -1", "glyph L.width is -1; allowed: a number from 0.01 to 2"),
    (STROKES, "", "glyph L.strokes is []; allowed: at least one stroke"),
    (STROKES, "{ bow = [] }", "glyph L.strokes[0] is {'bow': []}; allowed: a table with one"),
    (STROKES, "7", "glyph L.strokes[0] is 7; allowed: a table with one of path, ring, disc"),
    (STROKES, "{ disc = [0.1, 0.1, 0.0] }", "disc is [0.1, 0.1, 0.0]; allowed: [x, y, diameter]"),
    (STROKES, "{ disc = [0.1, 0.1] }", "disc is [0.1, 0.1]; allowed: a list of 3 numbers"),
    (STROKES, "{ path = [[0.1, 0.1]] }", "path is [[0.1, 0.1]]; allowed: at least 2 corners"),
    (STROKES, "{ path = [[0.1, 0.1], [0.1, 0.9, 0.1]] }", "allowed: ends without a radius"),
    (STROKES, "{ path = [[0.1, 0.1], [0.1]] }", "path[1] is [0.1]; allowed: a list of 2 to 3"),
    (
        STROKES, "{ path = [[0.1, 0.1], [0.1, 0.5, 0.1], [0.1, 0.9]] }",
        "path[1] is 0.1; allowed: a radius above 0, at a corner of 1 to 179 degrees",
    ),
    (
        STROKES, "{ path = [[0.05, 0.95], [0.05, 0.05, 0.6], [0.45, 0.05]] }",
        "path[1] has roundings that take 0.6000 of the leg after it; allowed: roundings that take",
    ),
    (STROKES, "{ path = [[0.1, 0.1], [0.1, 0.1]] }", "path[1] is [0.1, 0.1]; allowed: a corner"),
    (
        STROKES, "{ path = [[0.05, 0.95], [0.05, 0.05], [0.55, 0.05]] }",
        "strokes draw an outline from (0.0000, 0.0000) to (0.6000, 1.0000); allowed: an outline in",
    ),
    (
        STROKES, "{ disc = [0.1, 0.5, 0.2] }, { disc = [0.3, 0.5, 0.2] }",
        "glyph L.strokes: the outline of a character touches itself at (0.2000, 0.5000)",
    ),
]


@pytest.mark.parametrize(("old", "new", "said"), MISTAKES, ids=[said[:40] for *_, said in MISTAKES])
def test_a_mistake_is_told_with_file_and_key(read, tmp_path, old, new, said):
    with pytest.raises(InputError) as caught:
        read(old, new)
    assert said in str(caught.value)
    assert str(caught.value).startswith(f"{tmp_path / 'trial.toml'}: ")


def test_a_character_drawn_twice_is_refused(read):
    for again in (GLYPH, GLYPH.replace("glyph", "letter")):
        with pytest.raises(
            InputError, match=re.escape("glyph.char is 'L'; allowed: each character once")
        ):
            read(text=FILE + again)


def test_glyphs_that_are_no_tables_are_refused(read):
    with pytest.raises(InputError, match=re.escape("glyph is []; allowed: at least one [[glyph]]")):
        read(GLYPH, "glyph = []\n")
    with pytest.raises(InputError, match=re.escape("letter[0] is 3; allowed: a table with char")):
        read(text=FILE[: FILE.index("[[glyph]]")] + "letter = [3]\n" + GLYPH)
    with pytest.raises(InputError, match=re.escape("glyph[0] is 3; allowed: a table with char")):
        read(GLYPH, "glyph = [3]\n")


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match="cannot be read .*; name a file that exists"):
        load_lettering(tmp_path / "none.toml")


def test_a_file_that_is_no_toml_is_named(read):
    with pytest.raises(InputError, match=r"trial\.toml: not a TOML file: "):
        read(text="schema = = 1")
