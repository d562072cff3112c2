"""Bag labels: every rod has one, and a scanner reads its identifier from the printed page."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
import zxingcpp
from PIL import Image, ImageFilter

from labkit.catalog.profiles import Paper, default_profile
from labkit.catalog.texts import english_texts
from labkit.documents import bag_labels
from labkit.documents.qr import qr_svg
from labkit.documents.render import compile_pdf, page_images
from tests.documents import bench_specs as specs
from tests.documents.pdfs import reader, text_of
from tests.documents.test_build_sheet import SETS, packed, words_of
from tests.documents.test_inspection import used


def profile_on(paper: Paper):
    return replace(default_profile(), paper=paper, name="Hollow Lane Bench")


def pages(spec, paper: Paper, dpi: float) -> list[np.ndarray]:
    images = page_images(
        "bag-labels.typ", bag_labels.facts(spec), profile_on(paper),
        bag_labels.pictures(spec), ppi=dpi,
    )
    return [np.asarray(Image.open(io.BytesIO(image)).convert("L")) for image in images]


def scanned(page: np.ndarray) -> list[str]:
    codes = zxingcpp.read_barcodes(page, formats=zxingcpp.BarcodeFormat.QRCode)
    return [code.text for code in codes]


@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("name", ["six", "fourteen", "long"])
def test_every_code_scans_to_its_identifier_from_the_page(name, dpi, paper):
    spec = specs.spec_of(SETS[name])
    read = [text for page in pages(spec, paper, dpi) for text in scanned(page)]
    assert sorted(read) == sorted(identifier for _, _, identifier, _ in used(spec))


def test_codes_scan_from_a_label_printer_of_two_tones_and_a_soft_picture():
    spec = specs.spec_of(specs.SIX)
    (page,) = pages(spec, Paper.A4, 203)
    wanted = sorted(identifier for _, _, identifier, _ in used(spec))
    assert sorted(scanned(np.where(page < 128, 0, 255).astype(np.uint8))) == wanted
    soft = np.asarray(Image.fromarray(page).filter(ImageFilter.GaussianBlur(1.5)))
    assert sorted(scanned(soft)) == wanted


def test_a_code_survives_damage():
    """A tenth of the code's area torn off at its edge, where no finder pattern is."""
    spec = specs.spec_of(specs.SIX)
    identifier = used(spec)[0][2]
    (page,) = pages(spec, Paper.A4, 300)
    found = next(code for code in zxingcpp.read_barcodes(page) if code.text == identifier)
    corner, center = found.position.bottom_right, found.position.top_left
    side = (corner.x - center.x) // 6
    torn = page.copy()
    torn[corner.y - side : corner.y + 2, corner.x - side : corner.x + 2] = 255
    assert identifier in scanned(torn)


@pytest.mark.parametrize("name", SETS)
def test_each_label_says_case_step_side_length_and_set_but_no_percentage(name):
    spec = specs.spec_of(SETS[name], revision=3)
    pdf = compile_pdf("bag-labels.typ", bag_labels.facts(spec), profile_on(Paper.A4),
                      bag_labels.pictures(spec))
    text = words_of(pdf)
    rods = used(spec)
    assert text.count(packed(spec["case"])) == len(rods)
    assert text.count(packed(f"of set 3, {spec['date']}")) == len(rods)
    assert "%" not in text.replace(packed(spec["case"]), "")
    for step, side, identifier, part in rods:
        assert packed(f"{part['part']} mm Step {step}, {side}") in text
        assert identifier in text
    assert pdf == compile_pdf("bag-labels.typ", bag_labels.facts(spec), profile_on(Paper.A4),
                              bag_labels.pictures(spec))


@pytest.mark.parametrize(("paper", "width_mm", "across"), [
    (Paper.A4, 63.5, 3), (Paper.US_LETTER, 101.6, 2),
])
def test_labels_lie_on_their_grid_and_nothing_reaches_over_an_edge(paper, width_mm, across):
    """At 254 dpi a millimetre is ten pixels; only the thin border is on a label's edge."""
    spec = specs.spec_of(specs.LONG_CASE)
    whole = pages(spec, paper, 254)[0]
    foot = {Paper.A4: 151, Paper.US_LETTER: 127}[paper]  # margin below the grid, a caution in it
    page = whole[:-foot]
    assert (whole[-foot + 15 :] < 128).any()
    assert whole[-50:].min() > 250  # printers reach to 5 mm from the edge
    width = round(10 * width_mm)
    gap = {Paper.A4: 25, Paper.US_LETTER: 48}[paper]
    left = (page.shape[1] - across * width - (across - 1) * gap) / 2
    between = page[:, round(left) + width + 5 : round(left) + width + gap - 5]
    assert between.min() > 250
    assert page[:, : int(left) - 3].min() > 250
    assert page[:, round(left) + 15 : round(left) + 24].min() > 140  # inside of the border only
    columns = np.nonzero((page < 60).any(axis=0))[0]
    assert columns.max() < left + across * (width + gap) - gap - 20


def test_a_code_is_small_enough_for_the_bag_and_large_enough_to_scan():
    """A module of 0.5 mm or more: hand scanners want 0.25 to 0.4 mm (common practice)."""
    svg = qr_svg("4829173065", version=1).decode()
    modules = 21 + 2 * 4  # version 1 with its quiet zone
    assert f'width="{modules}"' in svg
    assert 21.0 / modules > 0.5


@pytest.mark.parametrize("paper", Paper)
def test_every_sheet_of_labels_bears_the_short_caution(paper):
    spec = specs.spec_of(specs.FOURTEEN)
    pdf = compile_pdf("bag-labels.typ", bag_labels.facts(spec), profile_on(paper),
                      bag_labels.pictures(spec))
    caution = str(english_texts().tables["frame"]["short_caution"])
    sheets = [packed(page.extract_text()) for page in reader(pdf).pages]
    assert len(sheets) > 1
    assert all(packed(caution) in sheet for sheet in sheets)


def test_a_case_number_is_copied_as_it_is():
    """Neither a short one, which stays in one piece, nor a long one gets characters added."""
    for text in (specs.SIX, specs.LONG_CASE):
        spec = specs.spec_of(text)
        pdf = compile_pdf("bag-labels.typ", bag_labels.facts(spec), profile_on(Paper.A4),
                          bag_labels.pictures(spec))
        copied = text_of(pdf)
        assert "\u200b" not in copied
        assert packed(spec["case"]) in packed(copied)
        if len(spec["case"]) < 10:
            assert spec["case"] in copied
