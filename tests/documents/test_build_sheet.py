"""The build sheet says what the set's JSON says, draws each plate to scale, runs nothing."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from pypdf import PdfReader

from labkit.catalog.lettering import load_lettering
from labkit.catalog.profiles import Paper, default_profile
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Arc, Line, Piece
from labkit.core.label.place import label_space
from labkit.core.rod.curves import box, moved_piece
from labkit.core.rod.rods import Hand
from labkit.documents import build_sheet
from labkit.documents.drawing import Drawing, Fill, Pen, Shade, Stroke, Text
from labkit.documents.lying_words import way_of
from labkit.documents.plate_picture import plate_drawing
from labkit.documents.render import compile_pdf
from labkit.documents.rod_picture import box_mm, rod_ink
from labkit.documents.set_picture import caption_of, set_drawing
from labkit.documents.set_spec import part_of, process_of, rod_of, template_of
from labkit.documents.svg import number, to_svg
from labkit.errors import InputError
from tests.documents import bench_specs as specs

SETS = {
    "six": specs.SIX, "fourteen": specs.FOURTEEN, "unequal": specs.UNEQUAL,
    "mirrored": specs.MIRRORED, "balls": specs.BALLS, "push": specs.PUSH,
    "long": specs.LONG_CASE, "hostile": specs.HOSTILE_CASE,
}
SVG = "{http://www.w3.org/2000/svg}"


def pdf_of(spec, profile=None) -> bytes:
    pictures = build_sheet.pictures(spec)
    return compile_pdf(
        "build-sheet.typ", build_sheet.facts(spec), profile or default_profile(), pictures
    )


def words_of(pdf: bytes) -> str:
    """Take the text back out of a PDF, without spaces and line ends."""
    reader = PdfReader(io.BytesIO(pdf))
    text = "".join(page.extract_text() for page in reader.pages)
    return re.sub(r"\s+", "", text)


def packed(text: object) -> str:
    return re.sub(r"\s+", "", str(text))


@pytest.mark.parametrize("name", SETS)
def test_every_part_file_and_number_of_the_set_stands_on_the_sheet(name):
    spec = specs.spec_of(SETS[name])
    text = words_of(pdf_of(spec))
    process = spec["process"]
    scale, offset = (process["compensation"][k] for k in ("length_scale", "length_offset_mm"))
    assert packed(spec["case"]) in text
    for key in ("machine", "material", "evidence", "title"):
        assert packed(process[key]) in text
    for part in spec["parts"]:
        built = scale * float(part["length_mm"]) + offset
        row = f"{part['part']}{part['quantity']}{caption_of(part_of(part).uses)}{part['length_mm']}"
        file = part["files"]["stl"].removeprefix("stl/")
        assert packed(f"{row}{built:.3f}") in text
        stem = file.removesuffix(f"{part['part']}.stl")
        # Long names are parted into their common beginning and the rest.
        assert packed(file) in text or (
            f"begin with {stem}".replace(" ", "") in text and f"…{part['part']}.stl" in text
        )
    for plate in spec["plates"]:
        assert packed(plate["file"]) in text
        for item in plate["items"]:
            assert f"{item['quantity']}×{item['part']}" in text
    for caution in spec["cautions"]:
        assert packed(caution) in text
    assert packed("Material and lot") in text
    assert packed("Machine, serial number") in text


@pytest.mark.parametrize("paper", Paper)
def test_same_bytes_each_time_on_both_papers(paper):
    spec = specs.spec_of(specs.UNEQUAL)
    profile = replace(default_profile(), paper=paper, name="Hollow Lane Bench")
    first, second = pdf_of(spec, profile), pdf_of(specs.spec_of(specs.UNEQUAL), profile)
    assert first == second
    page = PdfReader(io.BytesIO(first)).pages[0].mediabox
    assert (round(page.width), round(page.height)) == (
        (595, 842) if paper is Paper.A4 else (612, 792)
    )
    assert "HollowLaneBench" in words_of(first)


def test_files_that_are_not_compensated_are_said_to_be():
    nominal = words_of(pdf_of(specs.spec_of(process_name="nominal")))
    assert packed("None: all files have the required size.") in nominal
    assert packed("after compensation") not in nominal
    resin = words_of(pdf_of(specs.spec_of()))
    assert packed("after compensation") in resin
    assert packed("None: all files") not in resin


def test_compensation_is_listed_once_for_each_kind_of_fitting():
    rows = build_sheet.facts(specs.spec_of(specs.MIRRORED))["compensation"]
    assert [(row["what"], row["nominal"], row["rule"], row["built"]) for row in rows[1:]] == [
        ("Crosspin diameter", "2.974 mm", "−0.050 mm", "2.924 mm"),
        ("Bore diameter", "2.520 mm", "+0.060 mm", "2.580 mm"),
    ]
    assert rows[0]["rule"] == "× 1.0012, +0.010 mm"


def test_mirror_parts_and_barred_labels_are_pointed_out():
    mirrored = words_of(pdf_of(specs.spec_of(specs.MIRRORED)))
    assert packed("Left (L) and right (R) rods are mirror images") in mirrored
    plain = specs.spec_of(specs.SIX)
    assert "mirrorparts" not in words_of(pdf_of(plain))
    barred = specs.spec_of(specs.BARRED)
    labels = [part["label"] for part in barred["parts"] if set(part["label"]) <= set("01689.")]
    assert "66.9" in labels
    assert packed(f"have a bar under them: {', '.join(labels)}.") in words_of(pdf_of(barred))


@pytest.mark.parametrize("name", rod_templates())
@pytest.mark.parametrize("process", ["nominal", "example-resin", "example-powder"])
def test_templates_and_compensation_come_back_as_they_were(name, process):
    mirrored = "crosspin" in name
    text = specs.changed(
        specs.MIRRORED if mirrored else specs.SIX,
        ("crosspin-eye-flat" if mirrored else "eye-eye-flat", name),
    )
    spec = specs.spec_of(text, process)
    assert template_of(spec) == rod_templates()[name].used_for("")
    given = specs.find_process(specs.processes(), process).compensation
    assert process_of(spec).compensation == given


def test_a_spec_that_is_not_one_is_refused_in_a_sentence():
    spec = specs.spec_of()
    del spec["template"]["upper"]["fit"]
    with pytest.raises(InputError, match="template as recorded cannot be read: upper.fit is"):
        template_of(spec)
    spec["process"]["compensation"]["stretch"] = 2
    with pytest.raises(InputError, match="stretch is not a known key"):
        process_of(spec)
    part = {**spec["parts"][0], "length_mm": "long"}
    with pytest.raises(InputError, match="the set's part as recorded cannot be read: length_mm = "):
        rod_of(part, rod_templates()["eye-eye-flat"])


@pytest.mark.parametrize("name", SETS)
def test_pieces_are_drawn_inside_their_boxes_on_the_bed(name):
    spec = specs.spec_of(SETS[name])
    template = template_of(spec)
    rods = {part["part"]: rod_of(part, template) for part in spec["parts"]}
    for index, plate in enumerate(spec["plates"]):
        pieces = drawn_pieces(plate_drawing(spec, index, load_lettering()))
        assert len(pieces) == len(plate["placements"])
        for piece, placement in zip(pieces, plate["placements"], strict=True):
            x, y = placement["x_mm"], placement["y_mm"]
            wanted = (x, x + placement["width_mm"], y, y + placement["depth_mm"])
            assert piece == pytest.approx(wanted, abs=0.002)
            left, right, bottom, top = box_mm(rods[placement["part"]], way_of(plate))
            assert sorted((piece[1] - piece[0], piece[3] - piece[2])) == pytest.approx(
                sorted((right - left, top - bottom))
            )


def drawn_pieces(drawing: Drawing) -> list[tuple[float, float, float, float]]:
    """Boxes of the rods of a drawing: each begins with its tinted faces and has edges."""
    found: list[list[Piece]] = []
    before = None
    for shape in drawing.shapes:
        tinted = isinstance(shape, Fill) and shape.shade is Shade.TINT
        if tinted and not before:
            found.append([])
        if isinstance(shape, Stroke) and shape.pen is Pen.EDGE:
            found[-1].append(shape.piece)
        before = tinted
    return [box(tuple(pieces)) for pieces in found]


def test_a_piece_whose_label_does_not_look_up_is_named_in_the_drawing():
    for set_name, named in (("balls", True), ("six", False)):
        spec = specs.spec_of(SETS[set_name])
        drawing = plate_drawing(spec, 0, load_lettering())
        words = [text.words for text in drawing.own(Text)]
        parts = [place["part"] for place in spec["plates"][0]["placements"]]
        assert [word for word in words if word in parts] == (parts if named else [])
        assert ("upright" in drawing.title) is named


def test_the_sheet_says_how_rods_lie_and_how_high_they_build():
    text = words_of(pdf_of(specs.spec_of(specs.BALLS)))
    assert packed("All pieces stand upright, the lower fitting down") in text
    assert packed("touches the bed is the end of the lower ball, at a point") in text
    assert packed("they may stand at the shaft and nowhere else") in text
    powder = words_of(pdf_of(specs.spec_of(specs.BALLS, "example-powder")))
    assert packed("The balls hang 1.1 mm over it; the powder carries what hangs.") in powder
    assert packed("height of the build 4.9 mm") in powder
    flat = words_of(pdf_of(specs.spec_of(specs.SIX)))
    assert packed("height of the build 3.0 mm") in flat
    assert packed("touches the bed is the outward face. ") in flat
    assert packed("No supports are needed. No support on the label") in flat


def test_a_piece_that_lies_turned_is_drawn_turned():
    spec = specs.spec_of()
    placement = spec["plates"][0]["placements"][0]
    placement["width_mm"], placement["depth_mm"] = placement["depth_mm"], placement["width_mm"]
    drawn = drawn_pieces(plate_drawing(spec, 0, load_lettering()))
    turned = [top - bottom > right - left for left, right, bottom, top in drawn]
    assert turned == [True, *[False] * (len(drawn) - 1)]


@pytest.mark.parametrize("hand", Hand)
def test_labels_are_drawn_with_their_exact_outlines_and_never_mirrored(hand):
    spec = specs.spec_of(specs.MIRRORED)
    template = template_of(spec)
    part = next(part for part in spec["parts"] if part["hand"] == hand.value)
    rod = rod_of(part, template)
    label = lay_out(load_lettering(), rod.engraving, rod.bar, template.label.height_mm)
    center = label_space(template, float(rod.length)).center_x_mm
    shift = (center if hand is Hand.MINUS_Y else -center, 0.0)
    outlines = [
        Fill(tuple(tuple(moved_piece(piece, 1.0, shift) for piece in loop)
                   for loop in (region.outer, *region.holes)))
        for region in label.regions()
    ]
    drawn = [shape for shape in rod_ink(rod, load_lettering()) if isinstance(shape, Fill)]
    assert [shape for shape in drawn if shape.shade is Shade.BLACK] == outlines


@pytest.mark.parametrize("name", SETS)
def test_the_picture_of_a_set_is_whole_and_the_same_each_time(name):
    spec = specs.spec_of(SETS[name])
    drawing = set_drawing(spec, load_lettering())
    assert to_svg(drawing) == to_svg(set_drawing(specs.spec_of(SETS[name]), load_lettering()))
    root = ElementTree.fromstring(to_svg(drawing))
    assert root.get("viewBox").split()[2:] == [number(drawing.width_mm), number(drawing.height_mm)]
    assert root.get("width") == f"{number(drawing.width_mm)}mm"
    assert spec["case"] in root.find(f"{SVG}title").text
    captions = [text.words for text in drawing.own(Text)]
    assert sorted(captions[:-1]) == sorted(caption_of(part_of(part).uses) for part in spec["parts"])
    assert captions[-1] == "10 mm"
    pieces = drawn_pieces(drawing)
    assert len(pieces) == len(spec["parts"])
    for left, right, bottom, top in (*pieces, *(text.box() for text in drawing.own(Text))):
        assert 0 < left < right < drawing.width_mm
        assert 0 < bottom < top < drawing.height_mm


def test_arcs_and_circles_are_written_as_they_run():
    half = Arc((0.0, 0.0), 2.0, 0.0, 180.0)
    whole = Arc((0.0, 0.0), 1.0, 0.0, -360.0)
    loop = (half, Line((-2.0, 0.0), (2.0, 0.0)))
    drawing = Drawing(4.0, 4.0, "t", (Fill((loop,)), Stroke(whole, Pen.CUT)))
    written = to_svg(drawing).decode()
    assert ' d="M2 0A2 2 0 0 0 -2 0L2 0Z" ' in written
    assert box((half,)) == (-2.0, 2.0, 0.0, 2.0)
    assert ' d="M1 0A1 1 0 0 1 -1 0A1 1 0 0 1 1 0Z" ' in written
