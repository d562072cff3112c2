"""The map of a build: true to scale, every piece with letter, label and place, in black too."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.core.rod.building import Way
from labkit.core.rod.curves import box
from labkit.core.rod.rods import Hand, KeepOut, Plate, Rod
from labkit.documents.build_map import (
    TEMPLATE,
    TINTS,
    Bed,
    _parts,
    bed_drawing,
    facts,
    part_drawing,
)
from labkit.documents.build_map_words import Laid
from labkit.documents.drawing import Fill, Shade, Stroke, Text
from labkit.documents.render import compile_pdf
from labkit.documents.rod_picture import box_mm
from tests.documents.pdfs import text_of

PLATE = Plate(120.0, 68.0, 3.0, 4.0, keep_out=(KeepOut(100.0, 40.0, 20.0, 28.0),))
PROCESS = processes()["example-resin"]


def laid(letter, place, x, y, *, turned=False, label="33.6", way=Way.FLAT):
    template = rod_templates()["eye-eye-flat"]
    width, depth = (7.5, 41.1) if turned else (41.1, 7.5 if way is Way.FLAT else 3.0)
    rod = Rod(template, Decimal(label), Hand.MINUS_Y, "", label == "19.6")
    return Laid(letter, place, f"QF-{letter}", rod, way, (x, y, width, depth), turned,
                "4829 482 917 3065", "left", 0)


BED = Bed(PLATE, "bed-1.3mf", 3.0, (
    laid("A", 1, 4.0, 20.0), laid("B", 2, 4.0, 4.0), laid("B", 3, 60.0, 4.0, turned=True),
))


def drawn(bed=BED):
    return bed_drawing(bed, "Bed 1 of 1", load_lettering(), 1.0)


def test_letters_labels_and_places_lie_on_their_rods():
    texts = {(text.words, text.turn_deg): text for text in drawn().every(Text)}
    by_words = [text.words for text in drawn().every(Text)]
    assert by_words.count("33.6") == 3
    for words, turn, (x, y) in (("A", 0.0, (7.75, 23.75)), ("1", 0.0, (41.35, 23.75)),
                                ("33.6", 90.0, (63.75, 24.55))):
        left, right, bottom, top = texts[words, turn].box()
        assert ((left + right) / 2, (bottom + top) / 2) == pytest.approx((x, y), abs=0.01)
    assert "FRONT OF THE BED" in by_words


def test_cases_differ_without_colours_and_black_shows_on_every_tint():
    drawing = drawn()
    bodies = {fill.shade for fill in drawing.own(Fill)} & set(TINTS)
    assert bodies == set(TINTS[:2])
    for tint in TINTS:  # WCAG 2.2, 1.4.6: contrast at least 7; relative luminance of sRGB
        red, green, blue = (int(tint[at:at + 2], 16) / 255 for at in (1, 3, 5))
        light = 0.2126 * red**2.4 + 0.7152 * green**2.4 + 0.0722 * blue**2.4
        assert (light + 0.05) / 0.05 > 12


def standing(spacing, rows=10, columns=10):
    """A bed crowded with rods that stand, as far apart as that."""
    pieces = tuple(
        replace(
            laid("A", 1 + column + columns * row, 0, 0, way=Way.UPRIGHT),
            box_mm=(4.0 + column * (7.5 + spacing), 4.0 + row * (3.0 + spacing), 7.5, 3.0),
            spare=column % 2,
        )
        for row in range(rows) for column in range(columns)
    )
    return Bed(Plate(120.0, 68.0, spacing, 4.0), "bed-1.3mf", 41.1, pieces)


def overlapping(texts):
    """Give pairs of words whose boxes share more than a point."""
    boxes = [(text.words, text.box()) for text in texts]
    return [
        (one, other) for at, (one, a) in enumerate(boxes) for other, b in boxes[at + 1:]
        if a[0] < b[1] and b[0] < a[1] and a[2] < b[3] and b[2] < a[3]
    ]


@pytest.mark.parametrize("spacing", [1.0, 2.0, 3.0, 4.0])
def test_words_of_a_crowded_bed_of_rods_that_stand_do_not_run_together(spacing):
    bed = standing(spacing, rows=7 if spacing > 3 else 10)
    texts = list(drawn(bed).every(Text))
    assert overlapping(texts) == []
    by_words = {text.words: text for text in texts}
    left, right, bottom, top = by_words["A12*"].box()
    box = next(one.box_mm for one in bed.pieces if one.place == 12)
    assert box[0] < left < right < box[0] + box[2]
    assert box[1] < bottom < top < box[1] + box[3]
    # Where the next row leaves no room, the label stands in the list alone.
    assert ("33.6" in by_words) == (spacing > 2)


def test_a_bed_drawn_too_small_to_read_has_parts_drawn_larger():
    small = standing(3.0, rows=5, columns=38)
    bed = replace(small, plate=Plate(420.0, 420.0, 3.0, 4.0))
    (told,) = facts((1, "2031-03-14"), [bed], PROCESS, default_profile())["beds"]
    assert (told["scale"], [part["scale"] for part in told["parts"]]) == (0.2, [1.0, 1.0, 1.0])
    assert told["parts"][0]["words"] == "Part 1 of 3, 80 pieces: X 4 to 169 mm, Y 4 to 31 mm"
    parts = _parts(bed)
    assert sorted(one.place for part in parts for one in part.pieces) == list(range(1, 191))
    for part in parts:
        drawing = part_drawing(bed, part, "Part", load_lettering())
        assert drawing.width_mm <= 174
        assert drawing.height_mm <= 175
        assert overlapping(list(drawing.every(Text))) == []
    texts = list(bed_drawing(bed, "", load_lettering(), 0.2, parts).every(Text))
    words = {text.words: text for text in texts}
    assert "A1" not in words
    assert "the parts below" in text_of(compile_pdf(
        TEMPLATE, facts((1, "2031-03-14"), [bed], PROCESS, default_profile()), default_profile()
    ))
    # Numbers stand beside the bed, at the height of their row; words keep their size on paper.
    left, right, bottom, top = words["1 to 3"].box()
    assert 420 < left < right < 420 + 6 / 0.2
    assert bottom < (4 + 31) / 2 < top
    assert {name: round(0.2 * words[name].height_mm, 2) for name in ("X 420 mm", "Y 420 mm")} == {
        "X 420 mm": 2.28, "Y 420 mm": 2.28,
    }
    assert overlapping(texts) == []


def test_rows_of_parts_are_numbered_one_by_one_and_lines_keep_their_width_on_paper():
    row = standing(3.0, rows=5, columns=38).pieces
    far = tuple(replace(one, box_mm=(one.box_mm[0], 300 + one.box_mm[1], 7.5, 3.0),
                        place=190 + one.place) for one in row[:20])
    bed = Bed(Plate(420.0, 420.0, 3.0, 4.0), "bed-1.3mf", 41.1, (*row, *far))
    (told,) = facts((1, "2031-03-14"), [bed], PROCESS, default_profile())["beds"]
    numbers = [one["words"] for one in told["drawing"]["texts"] if one["bold"]]
    assert numbers == ["1 to 2", "3 to 5", "FRONT OF THE BED"]
    assert 'stroke-width="2.5"' in told["drawing"]["lines"]  # the bed's edge, 0.5 mm at 1 : 5


def balls(spacing):
    """Rods with balls that stand, some of them spares."""
    rod = Rod(rod_templates()["ball-ball-round"], Decimal("31.4"), Hand.MINUS_Y, "", False)
    left, right, bottom, top = box_mm(rod, Way.UPRIGHT)
    width, depth = right - left, top - bottom
    return tuple(
        Laid("A", place, "QF-A", rod, Way.UPRIGHT,
             (4 + (place - 20) * (width + spacing), 4.0, width, depth), False, "", "left",
             int(place == 24))
        for place in range(20, 28)
    )


@pytest.mark.parametrize("spacing", [1.0, 3.0])
def test_letters_and_places_of_rods_that_stand_are_of_one_size_on_white(spacing):
    bed = Bed(Plate(120.0, 68.0, spacing, 4.0), "bed-1.3mf", 40.0, balls(spacing))
    drawing = drawn(bed)
    tags = [text for text in drawing.every(Text) if text.words.startswith("A")]
    assert {text.words for text in tags} == {
        "A20", "A21", "A22", "A23", "A24*", "A25", "A26", "A27",
    }
    (size,) = {text.height_mm for text in tags}
    assert size >= 1.3
    assert overlapping(list(drawing.every(Text))) == []
    # Each lies on white that was laid after the rod's own edges.
    shapes = list(drawing.shapes)
    for text in tags:
        ground = shapes[shapes.index(text) - 1]
        assert isinstance(ground, Fill)
        assert ground.shade is Shade.WHITE
        left, right, bottom, top = box(ground.loops[0])
        assert (left < text.box()[0], text.box()[1] < right) == (True, True)
        assert (bottom < text.box()[2], text.box()[3] < top) == (True, True)


_RODS = "On each rod: the letter of its case and its place; its label is "


@pytest.mark.parametrize(("beds", "said"), [
    ((BED,), "on it too."),
    ((standing(3.0, rows=2),), "above it."),
    ((standing(1.0, rows=2),), "in the list of its case below alone."),
    ((BED, standing(1.0, rows=2)),
     "on it too; where it has no room there, in the list of its case below alone."),
])
def test_the_map_says_where_labels_stand_as_it_is_drawn(beds, said):
    told = facts((1, "2031-03-14"), beds, PROCESS, default_profile())
    assert told["on_rods"] == f"{_RODS}{said}"


def test_the_bed_with_its_zones_is_true_to_scale():
    lines = [shape.piece for shape in drawn().own(Stroke)]
    ends = {point for line in lines if hasattr(line, "start") for point in (line.start, line.end)}
    assert {(0.0, 0.0), (120.0, 0.0), (120.0, 68.0), (100.0, 40.0)} <= ends


@pytest.mark.parametrize(
    ("size", "scale"), [((120, 68), 1.0), ((160, 150), 1.0), ((300, 250), 0.5), ((420, 420), 0.2)]
)
def test_a_bed_larger_than_the_page_is_drawn_to_a_stated_scale(size, scale):
    bed = Bed(Plate(*map(float, size), 3.0, 4.0), "bed-1.3mf", 3.0, BED.pieces)
    (told,) = facts((1, "2031-03-14"), [bed], PROCESS, default_profile())["beds"]
    assert (told["scale"], told["scale_words"]) == (scale, f"1 : {1 / scale:g}")


def test_what_stands_on_the_paper():
    told = facts((7, "2031-03-14"), [BED], PROCESS, default_profile())
    (bed,) = told["beds"]
    assert bed["alike"] == ["33.6: A1, B2, B3"]
    words = " ".join(text_of(compile_pdf(TEMPLATE, told, default_profile())).split())
    for expected in (
        "Map of Build 7", "these rods differ by their place alone", "33.6: A1, B2, B3", "QF-A",
        f"{_RODS}on it too.", "4829 482 917 3065",
        "labels look up and read upright from the front", "Drawn 1 : 1",
    ):
        assert expected in words
