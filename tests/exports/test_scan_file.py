"""Reading STL of scans: every dialect that can be read is, and what cannot says why."""

from __future__ import annotations

import ctypes
import io
import os
import zipfile

import lib3mf
import numpy as np
import pytest
import trimesh

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
    assert mesh.notes == ("2 facets with a coordinate that is not a number left out",)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (lambda _: b"", "it is empty"),
        (lambda _: b"solid nothing\nendsolid nothing\n", "neither STL nor PLY, OBJ or 3MF"),
        (lambda _: b"\x89PNG" + bytes(500), "neither STL nor PLY, OBJ or 3MF"),
        (lambda c: binary_stl(c)[:-49], "800 facets take 40084 bytes and it has 40035; it is inc"),
        (lambda c: binary_stl(c, b"other")[:9000], "it has 9000; it is incomplete"),
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
    with pytest.raises(InputError, match="it is not a file; name one"):
        read_scan(tmp_path / "pipe.stl")


def with_trimesh(corners, kind, **how):
    """Write the sheet by other hands."""
    mesh = trimesh.Trimesh(corners.reshape(-1, 3), np.arange(2400).reshape(-1, 3), process=False)
    raw = mesh.export(file_type=kind, **how)
    return raw.encode() if isinstance(raw, str) else raw


def threemf(corners, unit=1, most=1, depth=0):
    """Write the sheet as a 3MF, as components of components where a depth is asked for."""
    model = lib3mf.get_wrapper().CreateModel()
    model.SetUnit(lib3mf.ModelUnit(unit))
    mesh, still = model.AddMeshObject(), lib3mf.get_wrapper().GetIdentityTransform()
    flat = corners.reshape(-1, 3)
    mesh.SetGeometry(
        [lib3mf.Position((ctypes.c_float * 3)(*map(float, point))) for point in flat],
        [lib3mf.Triangle((ctypes.c_uint32 * 3)(k, k + 1, k + 2)) for k in range(0, len(flat), 3)],
    )
    for _ in range(depth):
        outer = model.AddComponentsObject()
        for _ in range(most):
            outer.AddComponent(mesh, still)
        mesh = outer
    model.AddBuildItem(mesh, still)
    return bytes(model.QueryWriter("3mf").WriteToBuffer())


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("scan.ply", lambda c: with_trimesh(c, "ply")),
        ("scan.ply", lambda c: with_trimesh(c, "ply", encoding="ascii")),
        ("scan.obj", lambda c: with_trimesh(c, "obj")),
        ("scan.OBJ", lambda c: with_trimesh(c, "obj").replace(b"v ", b"vt 0 0\nv ", 1)),
        ("scan.3mf", threemf),
        ("scan.3mf", lambda c: threemf(c, depth=2)),
    ],
    ids=["ply", "ply-text", "obj", "obj-texture", "3mf", "3mf-components"],
)
def test_other_kinds_of_file(tmp_path, corners, name, raw):
    mesh = read(tmp_path, raw(corners), name)
    assert (len(mesh.vertices), len(mesh.triangles)) == (441, 800)
    found = np.sort((mesh.corners + mesh.origin).reshape(-1, 3), axis=0)
    assert found == pytest.approx(np.sort(corners.reshape(-1, 3), axis=0), abs=2e-4)


PLY = b"ply\nformat ascii 1.0\nelement vertex %d\nproperty float x\nproperty float y\n" + (
    b"property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
)
SHEET = b"0 0 0 1 0 0 0 1 0\n3 0 1 2\n"
NO_PLY = "header is not that of a PLY file"
ODD_HEADERS = (
    (b"float y", b"float x", NO_PLY),
    (b"property float x\nproperty float y\nproperty float z\n", b"", NO_PLY),
    (b"list uchar", b"list float", NO_PLY),
    (b"list uchar int", b"int", NO_PLY),
    (b"property float x", b"property list uchar float x", NO_PLY),
    (b"element face", b"element vertex", NO_PLY),
)


def bomb(_):
    """A small archive that unpacks to more than the limit of the test."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", bytes(2_000_000))
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "raw", "why"),
    [
        ("scan.ply", lambda _: PLY % 4_000_000_000, "more than 10000 facets"),
        ("scan.ply", lambda _: PLY % 3 + b"0 0 0 1 0 0 0 1 0\n3 0 1 7\n", "that is not there"),
        ("scan.ply", lambda _: PLY % 3 + b"0 0 0 1 0 0\n", "the file is incomplete"),
        ("scan.ply", lambda _: PLY % 1 + b"0 0 zero\n3 0 0 0\n", "a value is not a number"),
        ("scan.ply", lambda _: b"ply\nformat big\nend_header\n", NO_PLY),
        *(("scan.ply", lambda _, old=old, new=new: (PLY % 3).replace(old, new) + SHEET, why)
          for old, new, why in ODD_HEADERS),
        ("scan.ply", lambda _: PLY % 3 + b"0 0 0 1 0 0 0 1 0\n3 0 1 nan\n", "that is not there"),
        ("scan.ply", lambda _: PLY % 3 + b"0 0 0 1 0 0 0 1 0\nnan 0 1 2\n", "different numbers"),
        ("scan.obj", lambda _: b"v 0 0 0\nf 1 1 %d\n" % 10**30, "a line of it cannot be read"),
        ("scan.ply", lambda c: with_trimesh(c, "ply")[:-5], "the file is incomplete"),
        ("scan.obj", lambda _: b"v 0 0 0\nf 1 2 x\n", "a line of it cannot be read"),
        ("scan.obj", lambda _: b"v 0 0 0\nf 1 2 3\n", "names a vertex that is not there"),
        ("scan.3mf", lambda _: b"PK\3\4" + bytes(50), "its 3MF cannot be unpacked"),
        ("scan.3mf", bomb, "it unpacks to more than 1000000 bytes"),
        ("scan.3mf", lambda c: threemf(c, unit=3), "it is written in inches"),
        ("scan.3mf", lambda c: threemf(c, most=20, depth=4), "more than 10000 facets"),
        ("scan.3mf", lambda c: threemf(c, depth=10), "more than 8 deep"),
        ("scan.stl", lambda _: b"x" * 1_000_001, "it has more than 1 MB"),
    ],
)
def test_hostile_files_are_told_in_one_sentence(tmp_path, corners, monkeypatch, name, raw, why):
    data = raw(corners)
    monkeypatch.setattr("labkit.exports.scan.file.MOST_BYTES", 1_000_000)
    monkeypatch.setattr("labkit.exports.scan.formats.MOST_FACETS", 10_000)
    with pytest.raises(InputError, match=why):
        read(tmp_path, data, name)


def test_a_mesh_is_known_again_whatever_stands_round_it(tmp_path, corners):
    """Another header, the facets in another order, moved; not another shape."""
    digest = read(tmp_path, binary_stl(corners)).sha256
    for same in (binary_stl(corners, b"x"), binary_stl(corners[::-1]), binary_stl(corners + 4.0)):
        assert read(tmp_path, same).sha256 == digest
    assert read(tmp_path, binary_stl(corners * 1.001)).sha256 != digest
