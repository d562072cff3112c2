"""Bodies kept in the process and on disk: used only whole, built anew else, never asked for."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import labkit
from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import NOMINAL, Hand
from labkit.errors import GeometryError
from labkit.exports.write import body_build, body_store
from labkit.exports.write.body_build import build_body
from labkit.exports.write.body_store import (
    LIBRARIES,
    SOURCES,
    body_bytes,
    forget_bodies,
    kept_body,
    read_body,
)
from labkit.exports.write.rod import rod_shape
from labkit.kept import VARIABLE, cache_folder
from tests.support.rods import rod_of
from tests.test_house import imports_of, module_of, reached_from

ROOT = Path(__file__).parents[2]


def sizes_of(row="eye-eye-flat-slim"):
    rod = rod_of(row, "30.0")
    return compensated(rod.template, rod.length, NOMINAL)


@pytest.fixture
def built(monkeypatch, tmp_path):
    """An empty folder, and the number of bodies that the kernel builds."""
    count = []

    def counted(sizes, hand):
        count.append(sizes)
        return build_body(sizes, hand)

    monkeypatch.setenv(VARIABLE, str(tmp_path / "cache"))
    monkeypatch.setattr(body_build, "build_body", counted)
    forget_bodies()
    yield count
    forget_bodies()


def test_built_once_and_kept_for_the_next_process(built, tmp_path):
    first = kept_body(sizes_of(), Hand.MINUS_Y)
    assert kept_body(sizes_of(), Hand.MINUS_Y) is first
    forget_bodies()
    again = kept_body(sizes_of(), Hand.MINUS_Y)
    assert len(built) == 1
    assert again.digest() == first.digest()
    (file,) = (tmp_path / "cache").iterdir()
    assert body_bytes(again, file.stem) == file.read_bytes()


def test_a_process_with_a_kept_body_does_without_the_kernel(built):
    code = """
import sys
from tests.support.rods import rod_of
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.step import StepHeader
shape = rod_shape(rod_of("eye-eye-flat-slim", "30.0"), None)
assert len(shape.step(StepHeader("30.0", "2031-03-14"))) > 10_000
assert len(shape.mesh().triangles) > 1000
print("OCP" in sys.modules)
"""
    told = []
    for _ in range(2):
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                             check=True, cwd=ROOT, timeout=120)
        told.append(run.stdout.split())
    assert told == [["True"], ["False"]]


@pytest.mark.parametrize("spoilt", [
    lambda data: b"", lambda data: data[:70] + b"x" + data[71:], lambda data: data + b" ",
])
def test_a_broken_file_is_built_anew(built, tmp_path, spoilt):
    body = kept_body(sizes_of(), Hand.MINUS_Y)
    (file,) = (tmp_path / "cache").iterdir()
    whole = file.read_bytes()
    file.write_bytes(spoilt(whole))
    assert read_body(file) is None
    forget_bodies()
    assert kept_body(sizes_of(), Hand.MINUS_Y).digest() == body.digest()
    assert len(built) == 2
    assert file.read_bytes() == whole


def test_the_file_of_another_template_is_not_taken(built, tmp_path):
    own = kept_body(sizes_of(), Hand.MINUS_Y)
    (file,) = (tmp_path / "cache").iterdir()
    kept_body(sizes_of("eye-eye-flat"), Hand.MINUS_Y)
    (other,) = set((tmp_path / "cache").iterdir()) - {file}
    other.replace(file)
    forget_bodies()
    assert kept_body(sizes_of(), Hand.MINUS_Y).digest() == own.digest()
    assert len(built) == 3


def test_a_body_spoilt_in_memory_is_not_used(built, monkeypatch):
    body = kept_body(sizes_of(), Hand.MINUS_Y)
    digest = body.digest()
    body.points[7, 1] += 0.01
    assert body.digest() != digest
    assert kept_body(sizes_of(), Hand.MINUS_Y).digest() == digest


@pytest.mark.parametrize("other", [
    {"hand": Hand.PLUS_Y},
    {"edge_radius_mm": 0.45},
    {"bore_diameter_mm": 2.44},
    {"program": "another program"},
])
def test_what_a_body_follows_from_is_its_key(built, monkeypatch, other):
    sizes, hand = sizes_of(), other.get("hand", Hand.MINUS_Y)
    kept_body(sizes, Hand.MINUS_Y)
    if "program" in other:
        monkeypatch.setattr(body_store, "_program", lambda: other["program"])
        forget_bodies()
    if "edge_radius_mm" in other:
        sizes = replace(sizes, body=replace(sizes.body, **other))
    if "bore_diameter_mm" in other:
        sizes = replace(sizes, upper=replace(sizes.upper, **other))
    kept_body(sizes, hand)
    assert len(built) == 2


def test_the_length_and_the_label_are_none_of_it(built):
    for length in ("20.0", "31.4"):
        rod_shape(rod_of("eye-eye-flat-slim", length), None)
    assert len(built) == 1


def test_no_folder_is_needed(built, monkeypatch, tmp_path):
    (tmp_path / "file").write_text("no folder")
    for place in ("", str(tmp_path / "file" / "below")):
        monkeypatch.setenv(VARIABLE, place)
        forget_bodies()
        assert kept_body(sizes_of(), Hand.MINUS_Y).triangles.size
    assert len(built) == 2


def test_where_bodies_are_kept():
    assert cache_folder("bodies", {}).parts[-2:] == ("labkit", "bodies")
    assert cache_folder("bodies", {VARIABLE: "/else"}) == Path("/else")
    assert cache_folder("bodies", {VARIABLE: ""}) is None


def test_the_oldest_go_where_there_are_too_many(built, monkeypatch, tmp_path):
    monkeypatch.setattr(body_store, "MOST_FILES", 1)
    for row in ("eye-eye-flat-slim", "eye-eye-flat"):
        kept_body(sizes_of(row), Hand.MINUS_Y)
    assert len(list((tmp_path / "cache").iterdir())) == 1


def test_a_process_keeps_no_more_than_some(built, monkeypatch):
    monkeypatch.setattr(body_store, "MOST_IN_PROCESS", 1)
    for row in ("eye-eye-flat-slim", "eye-eye-flat"):
        kept_body(sizes_of(row), Hand.MINUS_Y)
    assert len(body_store._IN_PROCESS) == 1


def test_the_key_holds_every_source_and_library_that_a_body_is_built_by():
    package = Path(labkit.__file__).parent
    hashed = {path for pattern in SOURCES for path in package.glob(pattern)}
    names = reached_from(Path(body_build.__file__))
    reached = {path for path in package.rglob("*.py") if module_of(path) in names}
    assert package / "core" / "numbers.py" in reached <= hashed
    roots = {name.split(".")[0] for path in reached for name in imports_of(path)}
    others = roots - set(sys.stdlib_module_names) - {"labkit"}
    # A lock has no part in what is built.
    assert {{"OCP": "cadquery-ocp"}.get(name, name) for name in others} - {"filelock"} == (
        set(LIBRARIES)
    )


def test_a_body_that_changes_with_its_length_is_refused(monkeypatch):
    def growing(sizes, hand):
        wider = replace(sizes.body, thickness_mm=sizes.body.thickness_mm + sizes.length_mm / 1e6)
        return plain(replace(sizes, body=wider), hand)

    from labkit.solids import build

    plain = build.build_plain
    monkeypatch.setattr(build, "build_plain", growing)
    with pytest.raises(GeometryError, match="does not keep its form from length to length"):
        build_body(sizes_of(), Hand.MINUS_Y)


def test_every_array_is_under_the_digest():
    body = build_body(sizes_of(), Hand.MINUS_Y)
    before = body.digest()
    arrays = [body.points, body.shares, body.normals, body.step.x, body.step.shares,
              body.loose[-1].to_plane, body.loose[-1].normal]
    for array in arrays:
        held = array.copy()
        np.add(array, 1, out=array)
        assert body.digest() != before
        array[...] = held
    assert replace(body, volume_mm3=(1.0, 2.0)).digest() != before
    assert body.digest() == before
