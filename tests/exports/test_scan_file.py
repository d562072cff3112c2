"""Reading STL of scans: every dialect that can be read is, and what cannot says why."""

from __future__ import annotations

import os

import numpy as np
import pytest

from labkit.errors import InputError
from labkit.exports.scan.file import read_scan
from tests.support.scans import ascii_stl, binary_stl


@pytest.fixture(scope="module")
def corners():
    """A wavy sheet of 800 facets far from the origin."""
    x, y = np.meshgrid(np.arange(21.0), np.arange(21.0))
    points = np.stack([x + 500.0, y - 300.0, np.sin(x) + 40.0], axis=-1)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    facets = np.concatenate([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)])
    return facets.reshape(-1, 3, 3)


def read(tmp_path, raw, name="scan.stl"):
    path = tmp_path / name
    path.write_bytes(raw)
    return read_scan(path)


@pytest.mark.parametrize(
    "raw",
    [
        binary_stl,
        lambda c: binary_stl(c, b"exported by somebody"),
        lambda c: binary_stl(c, normals=np.full((len(c), 3), np.nan)),
        lambda c: binary_stl(c) + b"\0\0\0",
        ascii_stl,
        lambda c: ascii_stl(c).replace(b"\n", b"\r\n").replace(b"vertex", b"  VERTEX"),
        lambda c: binary_stl(c[:, ::-1]),
    ],
    ids=["solid", "binary", "normals", "trailing", "text", "dos", "flipped"],
)
def test_dialects(tmp_path, corners, raw):
    mesh = read(tmp_path, raw(corners))
    assert (len(mesh.vertices), len(mesh.triangles)) == (441, 800)
    assert mesh.notes == ()
    found = np.sort((mesh.corners + mesh.origin).reshape(-1, 3), axis=0)
    assert found == pytest.approx(np.sort(corners.reshape(-1, 3), axis=0), abs=4e-5)


def test_points_are_joined_as_a_slow_way_joins_them(tmp_path, corners):
    """Second road: every pair of corners compared."""
    random = np.random.default_rng(1)
    some = corners[random.permutation(800)[:120]].astype(np.float32).astype(float)
    mesh = read(tmp_path, binary_stl(some))
    flat = some.reshape(-1, 3)
    same = (np.abs(flat[:, None] - flat[None]) < 1e-6).all(axis=2)
    numbers = mesh.triangles.reshape(-1)
    assert np.array_equal(same, numbers[:, None] == numbers[None])


def test_broken_facets_are_left_out_and_counted(tmp_path, corners):
    broken = corners.copy()
    broken[3, 1, 2] = np.nan
    broken[9, 0, 0] = np.inf
    broken[20, 1] = broken[20, 0]  # without area
    mesh = read(tmp_path, binary_stl(broken))
    assert len(mesh.triangles) == 797
    assert mesh.notes == ("2 facets with a coordinate that is no number left out",)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (lambda _: b"", "it is empty"),
        (lambda _: b"solid nothing\nendsolid nothing\n", "neither binary nor text"),
        (lambda _: b"\x89PNG" + bytes(500), "neither binary nor text"),
        (lambda c: binary_stl(c)[:-49], "800 facets take 40084 bytes and it has 40035; it was cut"),
        (lambda c: binary_stl(c, b"other")[:9000], "it has 9000; it was cut short"),
        (lambda c: ascii_stl(c)[:-60], "its last facet is incomplete"),
        (lambda c: ascii_stl(c).replace(b"vertex 5", b"vertex x", 1), "not three numbers"),
        (lambda c: binary_stl(c[:20]), "20 facets show no rod"),
        (lambda c: binary_stl(np.full_like(c, np.nan)), "0 facets show no rod"),
        (lambda c: binary_stl(np.repeat(c[:, :1], 3, axis=1)), "0 facets with area"),
    ],
    ids=[
        "empty", "hollow", "picture", "cut", "short", "cut-text", "letter", "few", "nan", "points",
    ],
)
def test_what_cannot_be_read_says_why(tmp_path, corners, raw, why):
    with pytest.raises(InputError, match=why) as caught:
        read(tmp_path, raw(corners))
    assert str(caught.value).startswith("scan.stl: cannot be measured: ")


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_scan(tmp_path / "none.stl")


def test_a_file_too_large_to_be_measured_and_a_pipe_are_told_at_once(tmp_path):
    with (tmp_path / "big.stl").open("wb") as stream:
        stream.truncate(1_800_000_000)  # takes no room
    with pytest.raises(InputError, match="it has more than 300 MB; thin the scan out first"):
        read_scan(tmp_path / "big.stl")
    os.mkfifo(tmp_path / "pipe.stl")
    with pytest.raises(InputError, match="it is no file; name one"):
        read_scan(tmp_path / "pipe.stl")
