"""The drawing as PDF and SVG: real text, equal to the set, literal, legible in any viewer."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from labkit.catalog.profiles import Paper, Profile, Projection
from labkit.catalog.rods import rod_templates
from labkit.catalog.texts import english_texts
from labkit.documents.drawing import Dimension, Text
from labkit.documents.render import compile_pdf
from labkit.documents.rod_drawing import TEMPLATE, draw, pdf_facts, to_dxf
from labkit.documents.svg import to_svg
from tests.documents.pdfs import page_sizes_mm, reader, squeezed, text_of
from tests.documents.samples import sample_spec
from tests.documents.test_drawing_dxf import HOSTILE, hostile_sheet
from tests.support.drawings import large, prescription, sheet_for
from tests.support.prescriptions import changed

ROWS = sorted(rod_templates())
SVG = "{http://www.w3.org/2000/svg}"


def pdf_of(spec, sheet, profile=None) -> bytes:
    return compile_pdf(TEMPLATE, pdf_facts(spec, sheet), profile or Profile())


@pytest.mark.parametrize("name", ROWS)
def test_words_taken_back_out_of_the_pdf_equal_the_set(name):
    spec, sheet = sheet_for(name)
    pdf = pdf_of(spec, sheet)
    assert len(reader(pdf).pages) == 1
    text = squeezed(text_of(pdf))
    for part in spec["parts"]:
        assert squeezed(part["part"]) in text
        assert squeezed(part["length_mm"]) in text
    for one in sheet.every(Text):
        assert squeezed(one.words) in text, one.words
    assert squeezed(spec["case"]) in text


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize(("steps", "pages"), [(17, 1), (20, 2), (60, 2)])
def test_every_part_of_a_large_set_has_its_row_in_the_pdf(paper, steps, pages):
    profile = Profile(paper=paper)
    spec = large(steps, profile)
    assert len(spec["parts"]) == 2 * steps
    pdf = pdf_of(spec, draw(spec), profile)
    assert len(reader(pdf).pages) == pages
    assert len(page_sizes_mm(pdf)) == 1
    text = squeezed(text_of(pdf))
    for part in spec["parts"]:
        (use,) = part["uses"]
        row = f"{part['part']}{part['length_mm']}0.031{use['step']}{use['side'][0].upper()}"
        assert text.count(row) == 1, row
    for number in range(1, pages + 1):
        assert f"{number}of{pages}" in text


@pytest.mark.parametrize(("paper", "size"), [
    (Paper.A4, (297.0, 210.0)), (Paper.US_LETTER, (279.4, 215.9)),
])
def test_the_page_is_the_paper_across(paper, size):
    profile = Profile(paper=paper, projection=Projection.THIRD_ANGLE)
    spec, sheet = sheet_for("ball-ball-round", profile=profile)
    assert page_sizes_mm(pdf_of(spec, sheet, profile)) == {size}


def test_pdf_is_tagged_dated_and_the_same_each_time():
    spec, sheet = sheet_for("eye-eye-flat")
    pdf = pdf_of(spec, sheet)
    assert pdf == pdf_of(spec, sheet)
    opened = reader(pdf)
    assert opened.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert opened.metadata.title == f"Rod drawing {spec['case']}"
    assert opened.metadata.creation_date.date().isoformat() == spec["date"]
    xmp = opened.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "pdfuaid" in xmp


def test_codes_of_users_are_literal_in_pdf_and_svg():
    sheet = hostile_sheet()
    text = changed(prescription("eye-eye-flat"), ('"QF-1043"', f"'{HOSTILE}'"))
    spec = sample_spec(text)
    assert squeezed(HOSTILE) in squeezed(text_of(pdf_of(spec, sheet)))
    words = ["".join(one.itertext()) for one in ElementTree.fromstring(to_svg(sheet)).iter(
        f"{SVG}text")]
    assert HOSTILE in words


def test_svg_is_in_millimetres_with_real_text():
    _, sheet = sheet_for("crosspin-eye-flat")
    root = ElementTree.fromstring(to_svg(sheet))
    assert root.get("viewBox") == "0 -210 297 210"
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")
    texts = {"".join(one.itertext()): one for one in root.iter(f"{SVG}text")}
    for one in sheet.every(Text):
        assert one.words in texts
    length = next(one for words, one in texts.items() if words.startswith("L = "))
    wanted = next(one.text for one in sheet.own(Dimension) if one.name == "functional length")
    assert float(length.get("textLength")) == pytest.approx(wanted.width_mm, abs=1e-3)
    assert float(length.get("y")) == pytest.approx(-wanted.at[1], abs=1e-3)
    dashed = [one for one in root.iter(f"{SVG}path") if one.get("stroke-dasharray")]
    assert {one.get("stroke-width") for one in dashed} == {"0.25"}


def test_words_of_other_scripts_keep_their_own_width_in_svg():
    profile = Profile(name="אבג 漢字")
    spec = sample_spec(prescription("eye-eye-flat"), profile)
    root = ElementTree.fromstring(to_svg(draw(spec)))
    other = next(one for one in root.iter(f"{SVG}text") if "漢字" in (one.text or ""))
    assert other.get("textLength") is None


@pytest.mark.parametrize("paper", list(Paper))
def test_every_sheet_of_the_drawing_bears_the_short_caution(paper):
    profile = Profile(paper=paper)
    caution = str(english_texts().tables["frame"]["short_caution"])
    spec = large(20, profile)
    sheet = draw(spec)
    pages = reader(pdf_of(spec, sheet, profile)).pages
    assert len(pages) == 2
    assert all(squeezed(caution) in squeezed(page.extract_text()) for page in pages)
    assert caution in to_svg(sheet).decode()
    assert caution in to_dxf(sheet).decode()
