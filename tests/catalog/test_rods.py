"""Rod templates and processes as data."""

from __future__ import annotations

import pytest

from labkit.catalog.places import templates_dir
from labkit.catalog.processes import find_process, processes, read_process
from labkit.catalog.rods import find_template, read_rod_templates, rod_templates
from labkit.errors import InputError, InputErrors
from tests.support.prescriptions import changed, source

EYE = (templates_dir() / "rods" / "eye-eye-flat.toml").read_text("utf-8")
PIN = (templates_dir() / "rods" / "crosspin-eye-flat.toml").read_text("utf-8")
BALL = (templates_dir() / "rods" / "ball-ball-round.toml").read_text("utf-8")
LIES = 'lies = ["flat", "on edge", "upright"]'
NOMINAL = (templates_dir() / "processes" / "nominal.toml").read_text("utf-8")


def test_the_rows_that_come_with_the_program():
    found = rod_templates()
    assert list(found) == [
        "ball-ball-round",
        "ball-ball-round-slim",
        "crosspin-eye-flat",
        "crosspin-eye-flat-slim",
        "eye-eye-flat",
        "eye-eye-flat-slim",
    ]
    for template in found.values():
        assert template.shortest_mm <= 16
        assert template.longest_mm >= 60
        assert template.handed is template.name.startswith("crosspin")
        assert "not validated" in template.hardware


@pytest.mark.parametrize(
    ("text", "old", "new", "sentence"),
    [
        (
            EYE,
            "bore_diameter = 2.5",
            'bore_diameter = "2.5"',
            'bore_diameter = "2.5" is not usable; allowed is a number in mm from 0.8 to 10',
        ),
        (
            EYE, 'fit = "H10"', 'fit = "2.6 to 2.5"',
            'row[1].lower.fit = "2.6 to 2.5": limits of 2.6 to 2.5 mm do not go with a diameter of '
            "2.5 mm; give the smaller first, both within 0.3 mm of the diameter",
        ),
        (EYE, "bore_diameter", "bore_diametre", "did you mean `bore_diameter`?"),
        (EYE, 'kind = "eye"', 'kind = "hook"', "row[1].lower"),
        (EYE, "height = 3.5", "height = 3.0", "is not in the ISO 3098 series"),
        (EYE, "height = 2.5\nwidth", "height = 2.4\nwidth", "case_mark.height = 2.4 is not in"),
        (EYE, "height = 2.5\nwidth", "height = 5\nwidth", "= 5 is above the label's 3.5"),
        (
            EYE, "clear = 2.0", "clear = 1.4",
            "clear = 1.4 could be read as a space within the label; it must be at least 1.925 "
            "(0.55 × the label's height)",
        ),
        (EYE, "edge_radius = 0.5", "edge_radius = 1.5", "must be below half of thickness"),
        (
            EYE,
            "shortest = 15",
            "shortest = 80",
            "row[1].limits.longest = 70 must be above shortest",
        ),
        (EYE, 'fit = "H10"', 'fit = "K8"', "with a grade from 5 to 14"),
        (EYE, "side_mark = false", "side_mark = true", "marks one part that serves both sides"),
        (EYE, "depth = 0.3", "depth = 1.9", "allowed is a number in mm from 0.1 to 1"),
        (EYE, "boss_diameter = 7.5", "boss_diameter = 6.0", "must be above the bar's height"),
        (PIN, "side_mark = true", "side_mark = false", "leaves mirror parts without L and R"),
        (PIN, "lip_diameter = 4.2", "lip_diameter = 3.0", "must be above pin_diameter"),
        (PIN, "lip_diameter = 4.2", "lip_diameter = 9", "must not be above boss_diameter"),
        (PIN, "lip_thickness = 1.0", "lip_thickness = 3", "no face behind the lip's rounded edges"),
        (PIN, "root_radius = 0.3\n", "", "root_radius is missing"),
        (PIN, "root_radius = 0.3", "root_radius = 0", "allowed is a number in mm from 0.1 to 3"),
        (PIN, "root_radius = 0.3", "root_radius = 0.65", "beyond the lip, so that no seat would"),
        (PIN, "pin_length = 3.5", "pin_length = 1.1", "at most a quarter of pin_length = 0.275"),
        (PIN, "boss_diameter = 7.5\nfit = \"f10\"", "boss_diameter = 4.6\nfit = \"f10\"",
         "above pin_diameter + 2 × edge_radius + 2 × root_radius"),
        (BALL, "flat_depth = 1.2", "flat_depth = 1.8", "reaches the flat; it must be below"),
        (EYE, '["rim"]', '["bore"]',
         'row[1].build.supports[1] = "bore" is not usable; allowed is a list of "rim", "shaft" and '
         '"neck", empty for nowhere; supports never stand on bores, pins, balls or the label'),
        (EYE, '["rim"]', '["neck"]',
         'row[1].build.supports = "neck" is no place of a flat bar; allowed is "rim"'),
        (BALL, '["shaft"]', '["rim"]', 'of a round bar; allowed is "shaft" or "neck"'),
        (BALL, '["shaft"]', '["shaft", "shaft"]', "row[1].build.supports names one twice"),
        (EYE, '"on edge", ', '"edge", ',
         'row[1].build.lies[2] = "edge" is not usable; allowed is a list of "flat", "on edge" and '
         '"upright", at least one'),
        (EYE, LIES, "lies = []", "row[1].build.lies is still to be filled in"),
        (EYE, f"{LIES}\n", "", "row[1].build.lies is missing; give"),
        (EYE, 'fit = "H10"', 'fit = "P7"', "allowed is H, h, JS, js, d, e, f or g with a grade"),
        (EYE, "schema = 1", "schema = true", "schema = true is not usable; allowed is 1"),
        (BALL, "neck_diameter = 2.4", "neck_diameter = 4.0", "must be below ball_diameter"),
        (BALL, "neck_length = 2.6", "neck_length = 2.0", "the ball has no neck"),
        (BALL, "flat_depth = 1.2", "flat_depth = 3.0", "must be below half of the diameter"),
        (
            EYE,
            'kind = "eye"',
            'kind = "ball"\nball_diameter = 4\nneck_diameter = 2\nneck_length = 3',
            "row[1].lower",
        ),
    ],
)
def test_a_lab_template_is_checked_strictly(text, old, new, sentence):
    broken = changed(text, (old, new))
    with pytest.raises(InputErrors) as caught:
        read_rod_templates(source(broken, "own.toml"))
    assert sentence in str(caught.value)
    assert all(str(error).startswith("own.toml:") for error in caught.value.errors)


def test_a_lab_can_add_its_own(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(
        changed(EYE, ('"eye-eye-flat"', '"bench-1"'), ('"eye-eye-flat-slim"', '"bench-2"'))
    )
    assert {"bench-1", "bench-2"} <= set(rod_templates((str(own),)))
    assert {"bench-1", "bench-2"} <= set(rod_templates((str(tmp_path),)))


def test_a_name_used_twice_is_refused(tmp_path):
    (tmp_path / "own.toml").write_text(EYE)
    with pytest.raises(InputError, match="`eye-eye-flat` is already defined in eye-eye-flat.toml"):
        rod_templates((str(tmp_path),))


@pytest.mark.parametrize("place", ["missing", "."])
def test_a_place_without_templates(tmp_path, place):
    with pytest.raises(InputError, match=r"is not there|holds no \.toml file"):
        rod_templates((str(tmp_path / place),))


def test_unknown_names_show_the_nearest():
    with pytest.raises(InputError, match="did you mean `eye-eye-flat`"):
        find_template(rod_templates(), "eye-eye-flt")
    with pytest.raises(InputError, match="did you mean `nominal`"):
        find_process(processes(), "nominl")


def test_processes():
    found = processes()
    assert list(found) == ["example-powder", "example-resin", "nominal"]
    assert found["nominal"].compensation.length_scale == 1.0
    with pytest.raises(InputErrors, match=r"compensation\.length_scale = 2 is not usable"):
        read_process(source(changed(NOMINAL, ("length_scale = 1.0", "length_scale = 2"))))


@pytest.mark.parametrize(("old", "new", "sentence"), [
    ('"on edge", ', '"flat", ', "build.lies names one twice"),
    ('"where needed"', '"maybe"',
     'build.supports = "maybe" is not usable; allowed is "carried", "where needed" or "none"'),
    ("overhang = 1.5", "overhang = -1", "build.overhang = -1 is not usable; allowed is a number"),
    ("border = 4", "border = 4\nheight = 1", "plate.height = 1 is not usable; allowed is"),
])
def test_how_a_process_builds_is_checked(old, new, sentence):
    with pytest.raises(InputError) as caught:
        read_process(source(changed(NOMINAL, (old, new))))
    assert sentence in str(caught.value)


def test_a_process_that_says_nothing_of_lying_takes_any_way_with_supports_where_needed():
    text = NOMINAL[: NOMINAL.index("[build]")] + NOMINAL[NOMINAL.index("[legibility]") :]
    assert read_process(source(text)).build == processes()["nominal"].build


def test_a_border_that_leaves_no_bed():
    with pytest.raises(
        InputError, match=r"plate\.border = 70 leaves no bed; it must be below half"
    ):
        read_process(source(changed(NOMINAL, ("border = 4", "border = 70"))))
