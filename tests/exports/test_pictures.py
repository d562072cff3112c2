"""Shaded pictures and the GLB of a set: what they show, and their bytes."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import trimesh
from PIL import Image, ImageDraw

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Engraving
from labkit.core.label.place import label_space
from labkit.core.rod.curves import at
from labkit.core.rod.rods import Hand, Rod
from labkit.exports.check.stl_reader import read_stl
from labkit.exports.pictures.glb import set_glb
from labkit.exports.pictures.placing import placed_by_length
from labkit.exports.pictures.png import PIXELS_PER_MM, set_pngs
from labkit.exports.pictures.shading import ShownRod, shaded
from labkit.exports.write.mesh import mesh_of
from labkit.exports.write.stl import write_stl
from labkit.solids.build import build

TEMPLATES = rod_templates()
ROOT = Path(__file__).parent.parent.parent
#: Ink is darker than this, paper lighter than that.
DARK, LIGHT = 90, 250
#: How far the reader looks down.
TILT = np.radians(27.0)


def engraving_of(rod: Rod) -> Engraving:
    height = rod.template.label.height_mm
    return lay_out(load_lettering(), rod.engraving, rod.bar, height)


def shown(name: str, length: str, hand: Hand = Hand.MINUS_Y) -> ShownRod:
    template = TEMPLATES[name]
    mark = "" if not template.label.side_mark else "L" if hand is Hand.MINUS_Y else "R"
    rod = Rod(template, Decimal(length), hand, mark, bar=False)
    return ShownRod(rod, mesh_of(build(rod, engraving_of(rod)).shape))


def rod_png(one: ShownRod) -> bytes:
    return set_pngs(placed_by_length([one]))[f"{one.rod.part}.png"]


def set_png(rods: list[ShownRod]) -> bytes:
    return set_pngs(placed_by_length(rods))["set.png"]


@pytest.fixture(scope="module")
def eye_rods() -> list[ShownRod]:
    return [shown("eye-eye-flat", length) for length in ("35.9", "33.6", "30.1")]


@pytest.fixture(scope="module")
def mirrored_rods() -> list[ShownRod]:
    return [shown("crosspin-eye-flat", "27.4", hand) for hand in (Hand.MINUS_Y, Hand.PLUS_Y)]


def grey(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"))


def test_a_rod_fills_its_picture_and_nothing_is_clipped(eye_rods):
    picture = grey(rod_png(eye_rods[0]))
    rows, columns = np.nonzero(picture < LIGHT)
    assert columns.max() - columns.min() == pytest.approx((35.9 + 7.5) * PIXELS_PER_MM, abs=3)
    for edge in (picture[0], picture[-1], picture[:, 0], picture[:, -1]):
        assert edge.min() == 255
    assert rows.min() > 0


def inked(one: ShownRod) -> np.ndarray:
    """Cut the label place out of a rod's picture, row 0 at its top; True where it is dark."""
    picture = grey(rod_png(one))
    inward = one.rod.hand.inward_y
    x, y, z = one.mesh.vertices.T
    up = z * np.cos(TILT) - inward * y * np.sin(TILT)
    level = -one.rod.template.body.label_level_mm * np.sin(TILT)
    row = picture.shape[0] / 2 + ((up.max() + up.min()) / 2 - level) * PIXELS_PER_MM
    label_x = label_space(one.rod.template, float(one.rod.length)).center_x_mm
    across = -inward * (label_x - (x.max() + x.min()) / 2)
    column = picture.shape[1] / 2 + across * PIXELS_PER_MM
    engraving = engraving_of(one.rod)
    half_rows = (engraving.depth_mm / 2 * np.cos(TILT) + 0.25) * PIXELS_PER_MM
    half_columns = (engraving.width_mm / 2 + 0.25) * PIXELS_PER_MM
    rows = slice(round(row - half_rows), round(row + half_rows))
    return picture[rows, round(column - half_columns) : round(column + half_columns)] < DARK


@pytest.mark.parametrize("name", ["eye-eye-flat", "ball-ball-round", "crosspin-eye-flat-slim"])
@pytest.mark.parametrize("hand", Hand)
def test_the_label_is_dark_where_its_outlines_say(name, hand):
    """Dark pixels against the lettering's exact outlines, drawn by PIL and seen at 27°."""
    one = shown(name, "28.5", hand if TEMPLATES[name].handed else Hand.MINUS_Y)
    dark = inked(one)
    expected = drawn_outlines(engraving_of(one.rod), dark.shape)
    agreeing = np.count_nonzero(dark & expected) / np.count_nonzero(dark | expected)
    mirrored = np.count_nonzero(dark & expected[:, ::-1]) / np.count_nonzero(dark | expected)
    assert agreeing > 0.85
    assert mirrored < 0.5


def drawn_outlines(engraving: Engraving, shape: tuple[int, ...]) -> np.ndarray:
    fine = 8
    picture = Image.new("L", (fine * shape[1], fine * shape[0]))
    draw = ImageDraw.Draw(picture)
    scale = fine * PIXELS_PER_MM
    for region in engraving.regions():
        for loop, ink in ((region.outer, 255), *((hole, 0) for hole in region.holes)):
            points = [at(piece, share) for piece in loop for share in np.linspace(0, 1, 24)]
            draw.polygon([(fine * shape[1] / 2 + px * scale,
                           fine * shape[0] / 2 - py * scale * np.cos(TILT))
                          for px, py in points], fill=ink)
    return np.asarray(picture.resize((shape[1], shape[0]), Image.Resampling.BOX)) > 127


def test_a_set_shows_every_rod_longest_first(eye_rods):
    picture = grey(set_png(list(reversed(eye_rods))))
    inside = (picture < LIGHT).any(axis=1).astype(int)
    starts = np.nonzero(np.diff(inside) == 1)[0]
    ends = np.nonzero(np.diff(inside) == -1)[0]
    assert len(starts) == len(ends) == 3
    lengths = [np.ptp(np.nonzero((picture[a:b] < LIGHT).any(axis=0))[0])
               for a, b in zip(starts + 1, ends + 1, strict=True)]
    assert lengths == sorted(lengths, reverse=True)
    assert lengths[0] / lengths[2] == pytest.approx((35.9 + 7.5) / (30.1 + 7.5), rel=0.01)


@pytest.mark.parametrize("rods", ["eye_rods", "mirrored_rods"])
def test_a_rod_of_a_set_looks_as_if_drawn_alone(rods, request):
    those = request.getfixturevalue(rods)
    cut = set_pngs(placed_by_length(those))
    assert set(cut) == {"set.png", *(f"{one.rod.part}.png" for one in those)}
    for one in those:
        assert rod_png(one) == cut[f"{one.rod.part}.png"]


def test_rows_are_clear_of_one_another_however_thick_the_rods():
    """White between the rows of pins that stand 3.5 mm proud, over the whole width."""
    rods = [shown("crosspin-eye-flat", length) for length in ("27.4", "26.4", "25.4")]
    light = (grey(set_png(rods)) > LIGHT).all(axis=1)
    clear = np.diff(np.nonzero(np.diff(light.astype(int)))[0])[1::2]
    assert len(clear) == 2
    assert clear.min() >= 2.0 * PIXELS_PER_MM


def test_a_rod_read_back_from_its_stl_gives_the_same_label(tmp_path, eye_rods):
    write_stl(eye_rods[0].mesh, tmp_path / "a.stl", "a")
    again = ShownRod(eye_rods[0].rod, read_stl(tmp_path / "a.stl"))
    dark, dark_again = (grey(rod_png(one)) < DARK for one in (eye_rods[0], again))
    assert dark.shape == dark_again.shape
    assert np.count_nonzero(dark ^ dark_again) <= 0.01 * np.count_nonzero(dark)


def test_ink_is_the_engraving_and_normals_are_units(mirrored_rods):
    for one in mirrored_rods:
        mesh = shaded(one)
        level = one.rod.template.body.label_level_mm
        heights = mesh.vertices[mesh.triangles[mesh.inked]][..., 2]
        assert heights.max() == pytest.approx(level, abs=1e-4)
        assert heights.min() == pytest.approx(level - 0.3, abs=1e-4)
        assert np.abs(np.linalg.norm(mesh.normals, axis=1) - 1).max() < 1e-5


def test_glb_names_the_rods_and_is_in_metres(eye_rods):
    content = set_glb(placed_by_length(eye_rods), "QF-1043-r1")
    scene = trimesh.load(io.BytesIO(content), file_type="glb")
    names = {scene.graph[node][1] for node in scene.graph.nodes_geometry}
    assert {name.split("_")[0] for name in names} == {"35.9", "33.6", "30.1"}
    assert {"35.9", "33.6", "30.1"} <= set(scene.graph.nodes)
    for one in eye_rods:
        parts = [scene.geometry[g].copy().apply_transform(t) for t, g in
                 (scene.graph[n] for n in scene.graph.nodes_geometry)
                 if g.split("_")[0] == one.rod.part]
        whole = trimesh.util.concatenate(parts)
        assert whole.extents[0] * 1000 == pytest.approx(float(one.rod.length) + 7.5, abs=0.02)
        assert whole.extents[1] * 1000 == pytest.approx(7.5, abs=0.02)
        whole.merge_vertices(merge_norm=True, merge_tex=True)
        assert whole.volume * 1e9 == pytest.approx(
            trimesh.Trimesh(one.mesh.vertices, one.mesh.triangles).volume, rel=1e-4
        )


def test_glb_keeps_to_the_rules_of_its_format(mirrored_rods):
    """Chunk lengths, alignment and bounds as the glTF 2.0 specification, 4.4 and 3.6, asks."""
    content = set_glb(placed_by_length(mirrored_rods), "a title with “quotes” \" and \\")
    assert content[:4] == b"glTF"
    assert int.from_bytes(content[8:12], "little") == len(content)
    length = int.from_bytes(content[12:16], "little")
    assert length % 4 == 0
    data = json.loads(content[20 : 20 + length])
    binary = content[28 + length :]
    assert int.from_bytes(content[20 + length : 24 + length], "little") == len(binary)
    assert data["scenes"][0]["name"] == "a title with “quotes” \" and \\"
    assert [node["name"] for node in data["nodes"]] == ["27.4L", "27.4R"]
    for accessor in data["accessors"]:
        view = data["bufferViews"][accessor["bufferView"]]
        assert view["byteOffset"] % 4 == 0
        kind = np.dtype("<f4") if accessor["componentType"] == 5126 else np.dtype("<u4")
        values = np.frombuffer(binary, kind, view["byteLength"] // 4, view["byteOffset"])
        if "min" in accessor:
            assert accessor["min"] == values.reshape(-1, 3).min(axis=0).tolist()
            assert accessor["max"] == values.reshape(-1, 3).max(axis=0).tolist()
        if accessor["type"] == "SCALAR":
            assert len(values) == accessor["count"]


SCRIPT = """
import hashlib, sys
from tests.exports.test_pictures import rod_png, shown
from labkit.exports.pictures.placing import placed_by_length
from labkit.exports.pictures.glb import set_glb
one = shown("eye-eye-flat", "31.4")
print(hashlib.sha256(set_glb(placed_by_length([one]), "t")).hexdigest())
print(hashlib.sha256(rod_png(one)).hexdigest())
"""


def run_alone(**variables: str) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    return subprocess.run(
        [sys.executable, "-c", SCRIPT], capture_output=True, text=True, cwd=ROOT, check=True,
        env={**environment, **variables},
    )


def test_the_same_bytes_in_another_process_without_a_screen():
    one = shown("eye-eye-flat", "31.4")
    run = run_alone(PYTHONHASHSEED="7")
    files = (set_glb(placed_by_length([one]), "t"), rod_png(one))
    here = [hashlib.sha256(content).hexdigest() for content in files]
    assert run.stdout.split() == here
    assert run.stderr == ""
