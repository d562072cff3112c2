"""Labels read from scans: forms that are held against the face, and faces with patches missing."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.place import label_space
from labkit.exports.scan.file import read_scan
from labkit.exports.scan.glyphs import compare, drawn, nats_a_pixel
from labkit.exports.scan.label import _forms, read_scan_label
from labkit.exports.scan.pose import Pose
from labkit.exports.scan.relief import Relief
from tests.support.rods import ROWS, templates
from tests.support.scans import Spoil, scan_of

SPOIL = Spoil(missing=0.0, posed=False, edge_mm=0.15)
#: Every second one differs in one digit from the one before it.
LENGTHS = ("27.4", "27.9", "36.9", "36.5", "33.1", "33.7", "28.9", "28.3", "25.3", "26.3", "41.7",
           "31.7", "30.6", "30.5", "38.2", "33.2")
#: Largest radius of a patch, mm: from a stroke's width to more than a character's.
PATCHES_MM = (0.5, 1.0, 1.6)


def patched(tmp_path, row, length, seed):
    """Read the label of a rod of whose label's face up to a tenth is missing; the true one too."""
    scan = scan_of(row, length, SPOIL, seed)
    random, corners = np.random.default_rng(seed), scan.corners
    middles = corners.mean(axis=1)
    space = label_space(templates()[row], float(length))
    place = np.flatnonzero(
        (middles[:, 1] < 0.0) & (np.abs(middles[:, 2]) < space.height_mm / 2.0)
        & (np.abs(middles[:, 0] - space.center_x_mm) < space.width_mm / 2.0)
    )
    on_face = middles[place][:, [0, 2]]
    share, patch, lost = random.uniform(0.0, 0.1), PATCHES_MM[seed % 3], np.zeros(len(place), bool)
    while lost.mean() < share:
        away = np.linalg.norm(on_face - on_face[random.integers(len(place))], axis=1)
        lost |= away < patch * random.uniform(0.4, 1.0)
    scan.corners[place[lost]] = np.nan
    mesh = read_scan(scan.write(tmp_path / "scan.stl"))
    pose = Pose(np.eye(3), -np.array(mesh.origin), float(length), 0.0)
    label, _ = read_scan_label(
        mesh.vertices, mesh.triangles, pose, templates()[row], load_lettering()
    )
    return scan.label, label


def read_many(tmp_path, rows, lengths, count):
    """Count labels read rightly, not read, and read wrongly."""
    found = Counter()
    for seed in range(count):
        row = rows[seed % len(rows)]
        true, label = patched(tmp_path, row, lengths[seed // len(rows) % len(lengths)], seed)
        assert bool(label.text) != bool(label.problem)
        found["read" if label.engraving == true else label.engraving or "not read"] += 1
    return found


def test_labels_are_read_through_patches(tmp_path):
    found = read_many(tmp_path, ("eye-eye-flat",), ("36.9",), 4)
    assert set(found) <= {"read", "not read"}
    assert found["read"] >= 3


@pytest.mark.slow
def test_no_false_label_in_two_thousand(tmp_path):
    """At least 9 of 10 read, none wrongly; counted once: 1,891 of 2,000 read, none wrongly."""
    found = read_many(tmp_path, ROWS, LENGTHS, 2000)
    print(found)
    assert set(found) <= {"read", "not read"}
    assert found["read"] >= 1800


def test_every_place_is_compared_as_a_slow_way_compares():
    """Second road: numpy's weighted covariance of one patch; beyond the border lies nothing."""
    random, canvas = np.random.default_rng(5), drawn(load_lettering(), "0123456789")
    known = random.random((60, 150)) > 0.2
    view = Relief(random.random((60, 150)) * known, known, (75.0, 30.0), 0.08, 0.1, 0.01, 1.0)
    compared, (rows, columns) = compare(view, canvas), canvas.ink.shape[1:]
    for column, row in ((40, 12), (41, 12), (20, 8)):
        place = np.s_[row - canvas.origin[1] :, column - canvas.origin[0] :]
        ink, seen = (of[place][:rows, :columns].ravel() for of in (view.ink, known))
        found = compared.scores_at((column, row), 0)[:, 0, 0]
        gains = compared.guess((column, row), 0).gains
        for char, drawn_ink, score in zip(canvas.chars, canvas.ink, found, strict=True):
            flat = drawn_ink.ravel()
            (a, both), (_, b) = np.cov(ink, flat, aweights=seen)
            assert score == pytest.approx(both / np.sqrt(a * b), abs=1e-9)
            gain = (seen * flat * (2.0 * ink - flat)).sum() * nats_a_pixel(view)
            assert gains[char] == pytest.approx(gain, abs=1e-6)
    assert np.abs(compared.scores_at((300, -200), 2)).max() < 1e-9


def test_a_character_that_is_missing_leaves_two_labels(tmp_path):
    """The last character taken away whole: nothing is guessed, not even from the length."""
    scan = scan_of("eye-eye-flat", "36.9", SPOIL, 1)
    middles = scan.corners.mean(axis=1)
    scan.corners[(middles[:, 1] < 0.0) & (middles[:, 0] > 2.0) & (middles[:, 0] < 6.0)] = np.nan
    mesh = read_scan(scan.write(tmp_path / "scan.stl"))
    pose = Pose(np.eye(3), -np.array(mesh.origin), 36.9, 0.0)
    label, _ = read_scan_label(
        mesh.vertices, mesh.triangles, pose, templates()["eye-eye-flat"], load_lettering()
    )
    assert label.text == ""
    assert "it may be 36." in label.problem
    assert "character 4 is" in label.problem


def test_every_number_of_digits_between_shortest_and_longest_is_tried():
    template = replace(rod_templates()["eye-eye-flat"], shortest_mm=8.0, longest_mm=105.0)
    texts = {
        "".join(glyph.char for glyph in form.glyphs if glyph.char in "8.")
        for form in _forms(template, load_lettering())
    }
    assert texts >= {"8.8", "88.8", "888.8"}
