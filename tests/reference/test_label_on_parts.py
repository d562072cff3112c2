"""Labels read by an OCR engine from the meshes themselves, on every row and both hands.

The engine (Debian package tesseract-ocr) knows nothing of the project.
"""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.rod.rods import Ball, Hand
from labkit.exports.check.depth_picture import Window, depth_picture
from labkit.exports.check.stl_reader import read_stl
from tests.support.label_pictures import MARKED, NUMBERS, PX_PER_MM, TESSERACT, read_many
from tests.support.rods import ROWS, rod_of, templates, written

pytestmark = pytest.mark.skipif(
    TESSERACT is None, reason="needs tesseract (Debian package tesseract-ocr)"
)

LENGTHS = ("16.4", "23.7", "35.0", "48.2", "52.9")


def seen_from(made, toward_y):
    """Draw what someone sees who looks at one face of the written mesh with z up."""
    mesh = read_stl(made.stl)
    half, high = made.engraving.width_mm / 2 + 0.4, made.engraving.depth_mm / 2 + 0.4
    center = -toward_y * _label_center(made)
    window = Window(
        toward_y, center - half, -high, 1 / PX_PER_MM,
        round(2 * half * PX_PER_MM), round(2 * high * PX_PER_MM),
    )
    nearness = depth_picture(mesh, window)
    return (np.nanmax(nearness) - nearness)[::-1]


def _label_center(made):
    from labkit.core.label.place import label_space

    return label_space(made.rod.template, float(made.rod.length)).center_x_mm


@pytest.fixture(scope="module", params=ROWS)
def row(request):
    return request.param


@pytest.fixture(scope="module")
def rods(row, tmp_path_factory):
    hands = (Hand.MINUS_Y, Hand.PLUS_Y) if templates()[row].handed else (Hand.MINUS_Y,)
    folder = tmp_path_factory.mktemp(row)
    return [written(rod_of(row, length, hand), folder) for length in LENGTHS for hand in hands]


def test_the_inward_face_reads_right_and_upright_on_both_hands(rods):
    pictures = [seen_from(made, made.rod.hand.inward_y) for made in rods]
    characters = MARKED if rods[0].rod.mark else NUMBERS
    assert read_many(pictures, characters) == [made.rod.engraving for made in rods]


def test_a_mirrored_picture_never_reads_right(rods):
    pictures = [seen_from(made, made.rod.hand.inward_y)[:, ::-1] for made in rods]
    read = read_many(pictures, MARKED if rods[0].rod.mark else NUMBERS)
    assert [text for text, made in zip(read, rods, strict=True) if text == made.rod.engraving] == []


def test_the_outward_face_is_smooth(rods):
    """Along the middle of a bar of even section the outward face does not rise or fall."""
    for made in rods:
        depth = seen_from(made, -made.rod.hand.inward_y)
        middle, columns = depth[depth.shape[0] // 2], depth.shape[1]
        even = round(even_part_mm(made.rod) / 2 * PX_PER_MM)
        seen = middle[max(0, columns // 2 - even) : columns // 2 + even]
        assert len(seen) > PX_PER_MM
        assert np.ptp(seen) < 0.02


def even_part_mm(rod):
    """Give the length of the bar between domes or bosses."""
    template, reach = rod.template, 0.0
    for fitting in (template.lower, template.upper):
        if isinstance(fitting, Ball):
            reach += fitting.neck_length_mm + template.body.diameter_mm / 2
        else:
            reach += fitting.boss_diameter_mm / 2
    return float(rod.length) - reach - 0.4
