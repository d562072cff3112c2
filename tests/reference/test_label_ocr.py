"""Every label from 8.0 to 60.0 read by an OCR engine, sharp and after a coarse print.

The engine (Debian package tesseract-ocr) knows nothing of the project.
The pictures are drawn from the centrelines by distance, not from the outlines that are built;
test_label_on_parts.py reads the meshes of built rods.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.label.layout import lay_out
from labkit.core.label.rules import needs_bar
from tests.support.label_pictures import (
    MARKED,
    NUMBERS,
    TESSERACT,
    depth_picture,
    printed,
    read_many,
)

pytestmark = pytest.mark.skipif(
    TESSERACT is None, reason="needs tesseract (Debian package tesseract-ocr)"
)

LABELS = [f"{Decimal(tenths) / 10:.1f}" for tenths in range(80, 601)]
HEIGHTS_MM = (2.5, 3.5)
#: Every label is slow: a sample of them is quick.
EACH = [pytest.param(5, id="a sample"), pytest.param(1, id="every", marks=pytest.mark.slow)]
#: Stand-in for a printer's resolution.
BLUR_MM = 0.15
#: Of the labels above, the one whose mirror image is the label itself.
SYMMETRIC = "8.8"


def pictures(labels, height_mm, bars=False):
    lettering = load_lettering()
    return [
        depth_picture(lay_out(lettering, text, bars and needs_bar(text), height_mm))
        for text in labels
    ]


def blurred(labels, height_mm, sigma_mm=BLUR_MM):
    return [
        printed(picture, sigma_mm, seed) for seed, picture in enumerate(pictures(labels, height_mm))
    ]


def wrong(labels, read):
    return [(label, text) for label, text in zip(labels, read, strict=True) if label != text]


def point_moved(label, text):
    """Whether a reading has its point elsewhere: a label has one decimal, so has its reading."""
    return text.count(".") != 1 or len(text.split(".")[1]) != len(label.split(".")[1])


def test_there_are_521_labels():
    assert (len(LABELS), LABELS[0], LABELS[-1]) == (521, "8.0", "60.0")


@pytest.mark.parametrize("each", EACH)
@pytest.mark.parametrize("height_mm", HEIGHTS_MM)
def test_every_sharp_label_reads_right(height_mm, each):
    labels = LABELS[::each]
    assert wrong(labels, read_many(pictures(labels, height_mm))) == []


@pytest.mark.parametrize("each", EACH)
@pytest.mark.parametrize("height_mm", HEIGHTS_MM)
def test_blurred_labels_read_right_and_keep_their_point(height_mm, each):
    labels = LABELS[::each]
    errors = wrong(labels, read_many(blurred(labels, height_mm)))
    assert len(errors) <= len(labels) // 100, errors
    assert [error for error in errors if point_moved(*error)] == []


@pytest.mark.parametrize("each", EACH)
@pytest.mark.parametrize("height_mm", HEIGHTS_MM)
def test_a_mirrored_label_never_reads_right(height_mm, each):
    labels = [label for label in LABELS[::each] if label != SYMMETRIC]
    mirrored = [picture[:, ::-1] for picture in pictures(labels, height_mm)]
    read = read_many(mirrored)
    assert [label for label, text in zip(labels, read, strict=True) if label == text] == []


def test_the_symmetric_label_is_its_own_mirror_image():
    (picture,) = pictures([SYMMETRIC], 2.5)
    assert (picture == picture[:, ::-1]).all()


@pytest.mark.parametrize("side", ["L", "R"])
def test_side_marks_are_read(side):
    labels = [label + side for label in LABELS[::3]]
    assert wrong(labels, read_many(pictures(labels, 2.5), MARKED)) == []


def test_labels_with_a_bar_are_read():
    """Labels that can be misread upside down have one; the engine is not made for a line under a
    number and may take its end for a stroke (of the 36 it reads 9.1 as 9.41).
    """
    labels = [label for label in LABELS if needs_bar(label)]
    assert len(labels) == 36
    errors = wrong(labels, read_many(pictures(labels, 3.5, bars=True)))
    assert len(errors) <= 1, errors


def test_a_label_without_its_point_is_read_without():
    """The test of the test: the engine does not put in a point that is not there."""
    labels = [label.replace(".", "") for label in LABELS[::9]]
    assert wrong(labels, read_many(pictures(labels, 2.5), NUMBERS)) == []
