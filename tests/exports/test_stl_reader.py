"""What a strict binary STL is, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.errors import InputError
from labkit.exports.check import stl_reader
from labkit.exports.check.stl_reader import FacetMesh, _weld, read_stl, sorted_with_places
from tests.support.sample_parts import write_stl

TETRAHEDRON = np.array(
    [
        [[0, 0, 0], [0, 1, 0], [1, 0, 0]], [[0, 0, 0], [1, 0, 0], [0, 0, 1]],
        [[0, 0, 0], [0, 0, 1], [0, 1, 0]], [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    ],
    dtype=np.float32,
)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "body.stl"
    write_stl(path, TETRAHEDRON)
    return path


def test_corners_become_shared_vertices(path):
    mesh = read_stl(path)
    assert mesh.vertices.shape == (4, 3)
    assert np.array_equal(mesh.corners, TETRAHEDRON)


def test_minus_zero_is_zero(tmp_path):
    corners = TETRAHEDRON.copy()
    corners[0][corners[0] == 0.0] = -0.0
    write_stl(tmp_path / "body.stl", corners)
    assert len(read_stl(tmp_path / "body.stl").vertices) == 4


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda data: data[:50], "shorter than its header"),
        (lambda data: b"solid" + data[5:], 'begins with "solid"'),
        (lambda data: data[:-1], "4 facets take 284 bytes and it has 283"),
        (lambda data: data + b"\0", "4 facets take 284 bytes and it has 285"),
        (lambda data: data[:-2] + b"\1\0", "an attribute count is not 0"),
        (lambda data: data[:80] + b"\3\0\0\0" + data[84:-50], "3 facets cannot close"),
        (lambda data: data[:96] + b"\0\0\xc0\x7f" + data[100:], "not a finite number"),
        (lambda data: data[:84] + bytes(12) + data[96:], "a normal is not a unit vector"),
        (lambda data: data[:96] + data[108:120] * 2 + data[120:], "two equal corners"),
        (
            lambda data: data[:96] + data[108:120] + data[96:108] + data[120:],
            "1 facets have corners that run against their normal",
        ),
    ],
)
def test_refused(path, change, what):
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(InputError, match=what):
        read_stl(path)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(InputError, match=r"none\.stl cannot be read: No such file"):
        read_stl(tmp_path / "none.stl")


def test_welding_against_the_slow_way():
    random = np.random.default_rng(4)
    points = random.integers(-3, 4, (400, 3)).astype(np.float32)
    corners = points[random.integers(0, 400, (300, 3))]
    mesh = _weld(corners.transpose(1, 2, 0))
    assert np.array_equal(mesh.corners, corners)
    assert len(mesh.vertices) == len({tuple(point) for point in corners.reshape(-1, 3)})


@pytest.mark.parametrize("shifts", [(62, 0), (63,)])
def test_vertices_of_one_key_are_told_apart(shifts, monkeypatch):
    """Where the short keys of vertices are the same, by their whole keys; else by themselves."""
    random = np.random.default_rng(7)
    corners = random.uniform(-20, 20, (60, 3)).astype(np.float32)[random.integers(0, 60, (200, 3))]
    right = _weld(corners.transpose(1, 2, 0))
    monkeypatch.setattr(stl_reader, "_KEY_SHIFTS", tuple(map(np.uint64, shifts)))
    again = _weld(corners.transpose(1, 2, 0))
    assert np.array_equal(again.corners, corners)
    assert len(again.vertices) == len(right.vertices)
    # The order of the vertices, which build plates are written in, is the same by either key.
    assert np.array_equal(again.vertices, right.vertices) is (len(shifts) == 2)


@pytest.mark.parametrize("highest", [5, 2**60])
def test_sorting_with_places_against_the_slow_way(highest):
    keys = np.random.default_rng(3).integers(0, highest, 500).astype(np.uint64)
    found, places = sorted_with_places(keys)
    assert places.tolist() == sorted(range(500), key=lambda place: (int(keys[place]), place))
    assert np.array_equal(found, keys[places])


def test_a_facet_without_area_has_no_normal():
    mesh = FacetMesh(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]), np.array([[0, 1, 2]]))
    assert mesh.normals.tolist() == [[0.0, 0.0, 0.0]]
