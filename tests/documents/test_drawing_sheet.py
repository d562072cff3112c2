"""The drawing's sheet: nothing collides, views stand where the projection says, sizes are right."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from matplotlib.ft2font import FT2Font

from labkit.catalog.profiles import Paper, Profile, Projection
from labkit.catalog.rods import rod_templates
from labkit.core.label.lettering import Arc, Line
from labkit.core.rod.curves import box
from labkit.core.rod.rods import Crosspin, Eye, FlatBar
from labkit.core.rod.tolerances import fit_limits
from labkit.documents.drawing import DASHES_MM, WIDTH_MM, Dimension, Kind, Pen, Stroke, Text
from labkit.documents.glyphs import fonts_dir
from labkit.documents.letters import CAPITAL, in_lines, width_mm, wrapped
from labkit.documents.rod_drawing import draw, subject_of
from labkit.documents.rod_drawing.arrange import arrange
from labkit.documents.rod_drawing.lengths_table import rows_by_sheet
from labkit.documents.rod_drawing.panels import note_words
from labkit.documents.rod_drawing.views import hatching
from labkit.errors import InputError
from tests.documents.samples import sample_spec
from tests.support.drawings import (
    collisions,
    large,
    loose_lines,
    prescription,
    sheet_for,
    single,
)
from tests.support.prescriptions import changed, hinged

ROWS = sorted(rod_templates())
PROFILES = [
    Profile(paper=paper, projection=projection) for paper in Paper for projection in Projection
]
#: ISO 3098 nominal heights, mm (NF EN ISO 3098-0, public extract).
ISO_3098_MM = {1.8, 2.5, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0}
#: ISO 5455 enlargement and reduction scales within reach (from memory).
ISO_5455 = {0.5, 1.0, 2.0, 5.0, 10.0, 20.0}


def lengths(name: str) -> list[str]:
    template = rod_templates()[name]
    return [str(template.shortest_mm), "22.3", "33.6", "48.8", str(template.longest_mm)]


@pytest.mark.parametrize("name", ROWS)
@pytest.mark.parametrize("action", ["pull", "push"])
def test_nothing_collides(name, action):
    if action == "push" and not rod_templates()[name].handed:
        pytest.skip("a template without hand is drawn alike for pull and push")
    for length in lengths(name):
        for profile in PROFILES:
            spec = single(name, length, action, profile)
            sheet = draw(spec)
            what = f"{length} mm on {profile.paper}, {profile.projection}"
            assert collisions(sheet) == [], what
            assert loose_lines(sheet) == [], what


def test_the_collision_check_finds_collisions():
    """Words moved onto others, onto a line and out of the frame are each found."""
    _, sheet = sheet_for("eye-eye-flat")
    first = sheet.own(Text)[0]
    for at, what in (
        (sheet.own(Dimension)[0].text.at, "overlaps"), ((19.0, 100.0), "leaves the frame"),
        (sheet.views["front"].at(0.0, 3.25), "is crossed by a visible line"),
    ):
        moved = dataclasses.replace(first, at=at)
        shapes = tuple(moved if shape is first else shape for shape in sheet.shapes)
        wrong = dataclasses.replace(sheet, shapes=shapes)
        assert any(what in problem for problem in collisions(wrong))


def many() -> str:
    """Fourteen steps, left unlike right, mirror parts: 28 rows in the table."""
    percent = str(list(range(35, 101, 5)))
    return changed(hinged(), ("[60, 75, 90]", percent))


def test_a_table_of_28_parts_fits():
    for profile in PROFILES:
        spec = sample_spec(many(), profile)
        assert len(spec["parts"]) == 28
        sheet = draw(spec)
        assert collisions(sheet) == []
        words = [text.words for text in sheet.own(Text)]
        for part in spec["parts"]:
            assert words.count(part["part"]) == 1


@pytest.mark.parametrize("steps", [17, 18, 20, 60])
def test_a_long_table_goes_on_on_further_sheets_and_nothing_collides(steps):
    for profile in PROFILES:
        spec = large(steps, profile)
        sheet = draw(spec)
        sheets = (sheet, *sheet.further)
        assert len(sheets) == (1 if steps == 17 else 2)
        parts = []
        for number, one in enumerate(sheets, 1):
            assert collisions(one) == []
            assert loose_lines(one) == []
            words = [text.words for text in one.own(Text)]
            assert f"{number} of {len(sheets)}" in words
            assert ("More parts: sheet 2 of the PDF" in words) is (one is not sheets[-1])
            parts += [part["part"] for part in spec["parts"] if part["part"] in words]
        wanted = [part["part"] for part in spec["parts"]]
        # The drawn rod's part is the first of them; its notes name it in a sentence only.
        assert parts == wanted


def test_more_rows_than_two_sheets_hold_take_a_third():
    spec, _ = sheet_for("eye-eye-flat")
    layout = arrange(subject_of(spec))
    rows = [(f"P{k}", "1", "1", "1", "1") for k in range(400)]
    shared = rows_by_sheet(rows, layout)
    assert [row for sheet in shared for row in sheet] == rows
    # A4: 190 high less title block 36, gap 3 and head 6 is 145, by 4.2: 34 rows; four columns.
    assert [len(sheet) for sheet in shared] == [33, 136, 136, 95]
    assert rows_by_sheet(rows[:34], layout) == [rows[:34]]


CELLS = [
    Profile(name="%%c \\P{x} #strong[1] $x$ אבג 漢字 <b>&amp;"), Profile(name="W" * 80),
    Profile(name="Long words of a lab " * 3 + "Long words of a labs"), Profile(name="漢" * 80),
    Profile(name="👩🏽‍🚀" * 16), Profile(name="a"),
]


@pytest.mark.parametrize("profile", CELLS, ids=range(len(CELLS)))
def test_words_in_the_title_block_stay_legible_and_in_their_cells(profile):
    """Never lower than 1.8 mm, never narrower than 85 %, never more than two lines."""
    profile = dataclasses.replace(profile, address=("A street of the lab's address",))
    for case in ("QF-1043", "QF-1043-WWWWWWWWWW-MMMMMMMMMM-0123456789", "W " + "W" * 38):
        spec = sample_spec(changed(prescription("eye-eye-flat"), ("QF-1043", case)), profile)
        sheet = draw(spec)
        assert collisions(sheet) == []
        assert min(text.height_mm for text in sheet.own(Text)) >= 1.8
        assert min(text.squeeze for text in sheet.own(Text) if text.own) >= 0.85 - 1e-9
        words = [text.words for text in sheet.own(Text)]
        at = words.index("Laboratory") + 1
        name = words[at : words.index("Title")]
        assert 1 <= len(name) <= 2
        shown = "".join(name).replace(" ", "")
        whole = profile.name.replace(" ", "")
        assert shown == whole or (shown.endswith("…") and whole.startswith(shown[:-1]))
        # A case number is never cut.
        own = words[words.index("Case") + 1 : words.index("Template")]
        assert "".join(own).replace(" ", "") == case.replace(" ", "")
        assert "street" not in " ".join(words)


def test_a_name_is_cut_with_an_ellipsis_only_where_two_lines_do_not_hold_it():
    room = 40.0
    assert in_lines("Dental works", 1.8, (room, room)) == ["Dental works"]
    first, second = in_lines("Dental works of the northern district", 1.8, (room, room))
    assert f"{first} {second}" == "Dental works of the northern district"
    first, second = in_lines("W" * 80, 1.8, (room, room))
    assert second.endswith("W…")
    for line in (first, second):
        assert room - 3.0 < width_mm(line, 1.8) <= room
    # What is joined to a letter is not parted from it.
    for line in in_lines("👩🏽‍🚀" * 16, 1.8, (room, room)):
        assert line.removesuffix("…").replace("👩🏽‍🚀", "") == ""


@pytest.mark.parametrize("projection", list(Projection))
@pytest.mark.parametrize(("name", "action"), [
    ("eye-eye-flat", "pull"), ("crosspin-eye-flat", "pull"), ("crosspin-eye-flat", "push"),
    ("ball-ball-round", "pull"),
])
def test_views_are_arranged_by_the_projection(name, action, projection):
    """ISO 5456-2: in first angle what is seen from above lies below the front view and what is
    seen from the left lies on its right; in third angle the other way round."""
    spec, sheet = sheet_for(name, action=action, profile=Profile(projection=projection))
    subject = subject_of(spec)
    front, top, side = (sheet.views[view].origin for view in ("front", "top", "side"))
    first = projection is Projection.FIRST_ANGLE
    assert top[0] == front[0]
    assert side[1] == front[1]
    assert (top[1] < front[1]) is first
    assert (side[0] > front[0]) is (first is subject.from_left)
    # The side view looks from the end that bears a pin.
    pins = [end.side for end in subject.ends if isinstance(end.fitting, Crosspin)]
    assert subject.from_left is (pins != [1])
    # The symbol: the cone's narrow end to the left, the circles right (first) or left (third).
    right, bottom = sheet.frame[1], sheet.frame[2]
    circles = [
        stroke.piece for stroke in sheet.own(Stroke) if isinstance(stroke.piece, Arc)
        and stroke.piece.center[0] > right - 34 and stroke.piece.center[1] < bottom + 9
    ]
    cone = [
        stroke.piece for stroke in sheet.own(Stroke) if isinstance(stroke.piece, Line)
        and stroke.pen is Pen.VISIBLE and box((stroke.piece,))[0] > right - 33
        and box((stroke.piece,))[3] < bottom + 8 and box((stroke.piece,))[2] > bottom
        and stroke.piece.start[0] != stroke.piece.end[0]
    ]
    assert sorted(circle.radius for circle in circles) == [1.25, 2.5]
    assert len(cone) == 2
    assert (circles[0].center[0] > cone[0].start[0]) is first
    for line in cone:
        (a, b) = sorted((line.start, line.end))
        middle = circles[0].center[1]
        assert abs(a[1] - middle) < abs(b[1] - middle)


@pytest.mark.parametrize("name", ROWS)
def test_dimensions_are_those_of_the_template(name):
    template = rod_templates()[name]
    spec, sheet = sheet_for(name)
    length = float(subject_of(spec).rod.length)
    values = {one.name: one.value_mm for one in sheet.own(Dimension)}
    words = {one.name: one.text.words for one in sheet.own(Dimension)}
    body, lower, upper = template.body, template.lower, template.upper
    assert values["functional length"] == length
    assert words["functional length"].startswith(f"L = {subject_of(spec).rod.label} ±")
    assert values["label depth"] == template.label.depth_mm
    if isinstance(body, FlatBar):
        assert values["bar height"] == body.height_mm
        assert values["bar thickness"] == body.thickness_mm
        assert values["edge radius"] == body.edge_radius_mm
        assert values["blend radius"] == body.blend_radius_mm
        assert values["boss diameter"] == lower.boss_diameter_mm == upper.boss_diameter_mm
        assert values["overall length"] == pytest.approx(length + lower.boss_diameter_mm)
    else:
        assert values["bar diameter"] == body.diameter_mm
        assert values["across the flat"] == pytest.approx(body.diameter_mm - body.flat_depth_mm)
        assert values["ball diameter"] == lower.ball_diameter_mm
        assert values["neck diameter"] == lower.neck_diameter_mm
        assert values["neck length"] == lower.neck_length_mm
        assert values["dome radius"] == body.diameter_mm / 2
    if isinstance(upper, Eye):
        assert values["bore diameter"] == upper.bore_diameter_mm
        limits = fit_limits(upper.fit, upper.bore_diameter_mm)
        assert f"{upper.fit} (+{limits.upper_mm.normalize():f}/0)" in words["bore diameter"]
    if isinstance(lower, Crosspin):
        assert values["pin diameter"] == lower.pin_diameter_mm
        assert values["lip diameter"] == lower.lip_diameter_mm
        assert values["pin length"] == lower.pin_length_mm
        assert values["lip thickness"] == lower.lip_thickness_mm
        assert values["lip edge radius"] == lower.lip_thickness_mm / 4
        assert values["root radius"] == lower.root_radius_mm
        assert "f10 (−0.006/−0.046)" in words["pin diameter"]  # ISO 286, 1–3 mm, f10


@pytest.mark.parametrize("name", ROWS)
def test_a_dimension_measures_what_it_says(name):
    """The distance of its points on the paper, by the scale of its view, is its value, and the
    number in its words is too."""
    for length in ("22.3", "33.6"):
        spec = single(name, length)
        for one in draw(spec).own(Dimension):
            (ax, ay), (bx, by) = one.points
            measure = {
                Kind.HORIZONTAL: abs(ax - bx), Kind.VERTICAL: abs(ay - by),
            }.get(one.kind, math.dist(*one.points))
            assert measure / one.per_mm == pytest.approx(one.value_mm, abs=1e-4), one.name
            if one.name != "label place":
                numbers = [float(n) for n in re.findall(r"\d+\.?\d*", one.text.words)]
                assert any(n == pytest.approx(one.value_mm, abs=1e-9) for n in numbers), one.name


def test_the_pin_of_an_unequal_rod_fixes_the_label_place_from_the_lower_end():
    spec, sheet = sheet_for("crosspin-eye-flat")
    place = next(one for one in sheet.own(Dimension) if one.name == "label place")
    # Keep-outs: pin 3.0 / 2 + root 0.3 at the lower end, bore 2.5 / 2 at the upper; half the
    # difference.
    assert place.text.words == "L/2 + 0.275"
    assert place.value_mm == pytest.approx(float(subject_of(spec).rod.length) / 2 + 0.275)


def test_lettering_scales_and_line_widths_are_from_the_series():
    for name in ROWS:
        for profile in PROFILES:
            _, sheet = sheet_for(name, profile=profile)
            assert {text.height_mm for text in sheet.every(Text)} <= ISO_3098_MM
            assert {place.per_mm for place in sheet.views.values()} <= ISO_5455
    assert WIDTH_MM[Pen.VISIBLE] == 0.5
    assert WIDTH_MM[Pen.HIDDEN] == WIDTH_MM[Pen.CENTRE] == WIDTH_MM[Pen.THIN] == 0.25
    assert set(DASHES_MM) == {Pen.HIDDEN, Pen.CENTRE}


def test_table_lists_every_part_with_length_tolerance_and_steps():
    spec = sample_spec(hinged())


    sheet = draw(spec)
    rows: dict[float, list[tuple[float, str]]] = {}
    for text in sheet.own(Text):
        if text.at[0] > sheet.frame[1] - 60 and text.at[1] > 120:
            rows.setdefault(text.at[1], []).append((text.box()[0], text.words))
    table = [tuple(w for _, w in sorted(cells)) for _, cells in sorted(rows.items(), reverse=True)]
    assert table[0] == ("Part", "L", "±", "Qty", "Steps")
    wanted = [
        (
            part["part"], part["length_mm"],
            f"{spec['tolerances_mm'][part['uses'][0]['step'] - 1][part['uses'][0]['side']]:g}",
            str(part["quantity"]),
            ", ".join(f"{use['step']} {use['side'][0].upper()}" for use in part["uses"]),
        )
        for part in spec["parts"]
    ]
    assert table[1:] == wanted


def test_notes_say_what_the_trade_must_know():
    plain = " ".join(note_words(subject_of(sample_spec(prescription("eye-eye-flat")))))
    assert "ISO 2768-f" in plain
    assert "never mirrored" in plain
    assert "not validated hardware" in plain
    assert "mirror image" not in plain
    handed = " ".join(note_words(subject_of(sample_spec(prescription("crosspin-eye-flat")))))
    assert "mirror image" in handed
    assert "label is not mirrored" in handed


def test_hatching_stays_inside_and_runs_at_45_degrees():
    square = (
        Line((0.0, 0.0), (20.0, 0.0)), Line((20.0, 0.0), (20.0, 10.0)),
        Line((20.0, 10.0), (0.0, 10.0)), Line((0.0, 10.0), (0.0, 0.0)),
        Arc((10.0, 5.0), 3.0, 0.0, 360.0),
    )
    lines = hatching(square)
    total = sum(math.dist(line.start, line.end) for line in lines)
    # Lines 2 mm apart over the area of the square less the circle, within 5 %.
    assert total * 2.0 == pytest.approx(200.0 - math.pi * 9.0, rel=0.05)
    for line in lines:
        assert line.end[0] - line.start[0] == pytest.approx(line.end[1] - line.start[1])
        middle = ((line.start[0] + line.end[0]) / 2, (line.start[1] + line.end[1]) / 2)
        assert math.dist(middle, (10.0, 5.0)) > 3.0


def test_a_rod_too_large_for_the_paper_is_refused():
    spec, _ = sheet_for("eye-eye-flat")
    part = {**spec["parts"][1], "label": "700.0", "length_mm": "700.0"}
    huge = {**spec, "parts": [part]}
    with pytest.raises(InputError, match="does not fit a drawing on a4 paper"):
        draw(huge)


def test_a_set_without_the_starting_rod_is_refused():
    spec, _ = sheet_for("eye-eye-flat")
    with pytest.raises(InputError, match="has no left rod to draw"):
        subject_of({**spec, "parts": []})


def test_without_a_start_the_middle_step_is_drawn():
    text = changed(prescription("eye-eye-flat"), ("start = 62.5", ""))
    spec = sample_spec(text)
    assert not any(step["start"] for step in spec["lengths"]["steps"])
    uses = subject_of(spec).part["uses"]
    assert {"step": 3, "side": "left"}.items() <= uses[0].items()


def test_capitals_are_as_high_as_the_font_says():
    regular = FT2Font(fonts_dir() / "NotoSans-Regular.ttf")
    assert regular.get_sfnt_table("OS/2")["sCapHeight"] / regular.units_per_EM == CAPITAL


def test_words_are_broken_between_words():
    lines = wrapped("General tolerances ISO 2768-f. Fits ISO 286.", 2.5, 40.0)
    assert " ".join(lines) == "General tolerances ISO 2768-f. Fits ISO 286."
    assert all(width_mm(line, 2.5) <= 40.0 for line in lines)
