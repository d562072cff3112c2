"""Delivered meshes and binary STL: format, watertight, volume, chord error on every curved surface.

Second readers: trimesh 5.2.0 (its own STL reader) and manifold3d 3.5.4.
"""

from __future__ import annotations

import struct

import manifold3d
import numpy as np
import pytest
import trimesh

from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import NOMINAL, Ball, Crosspin, Eye, FlatBar
from labkit.core.rod.volume import envelope_mm, rod_volume_mm3
from labkit.errors import DeliveryError
from labkit.exports.write.mesh import mesh_of
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.stl import write_stl
from labkit.solids.build import build
from tests.solids.rods_to_build import TEMPLATES, every_rod, label_of, rod_of

CHORD = 0.005


def meshed(name, length="27.3", hand=None):
    rod = rod_of(name, length, *([hand] if hand else []))
    return rod, rod_shape(rod, label_of(rod)).mesh()


def genus(template):
    return sum(isinstance(fitting, Eye) for fitting in (template.lower, template.upper))


@pytest.mark.parametrize(("name", "length", "hand"), every_rod())
def test_every_row_is_watertight_and_fills_the_solid(name, length, hand, tmp_path):
    rod, mesh = meshed(name, length, hand)
    write_stl(mesh, tmp_path / "rod.stl", rod.part)
    body = trimesh.load(tmp_path / "rod.stl")
    assert len(body.faces) == len(mesh.triangles)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.euler_number == 2 - 2 * genus(rod.template)
    # Chords of at most 0.005 mm all over the surface cannot take more than that off the volume.
    assert abs(body.volume - rod_volume_mm3(rod, label_of(rod), NOMINAL)) < CHORD * body.area
    solid = manifold3d.Manifold(manifold3d.Mesh(
        body.vertices.astype(np.float32), body.faces.astype(np.uint32)))
    assert solid.status() == manifold3d.Error.NoError
    assert solid.genus() == genus(rod.template)


def probes(mesh):
    """Points where facets stray farthest: middles of their sides and of themselves."""
    corners = mesh.vertices[mesh.triangles]
    sides = (corners + np.roll(corners, -1, axis=1)) / 2
    return corners, np.concatenate([sides, corners.mean(axis=1, keepdims=True)], axis=1)


def chord_errors(mesh, distance):
    """Distances of probes from a surface, for facets whose corners all lie on it."""
    corners, inner = probes(mesh)
    on = (np.abs(distance(corners)) < 1e-5).all(axis=1)
    assert on.any()
    return np.abs(distance(inner[on]))


def cylinder_y(x, radius, y_range):
    def distance(points):
        radial = np.hypot(points[..., 0] - x, points[..., 2]) - radius
        out = (points[..., 1] < y_range[0] - 1e-6) | (points[..., 1] > y_range[1] + 1e-6)
        return np.where(out, 1.0, radial)
    return distance


def sphere(x, radius):
    return lambda points: np.linalg.norm(points - [x, 0, 0], axis=-1) - radius


def fitting_surfaces(rod):
    sizes = compensated(rod.template, rod.length, NOMINAL)
    half = sizes.length_mm / 2
    for fitting, x in ((sizes.lower, -half), (sizes.upper, half)):
        if isinstance(fitting, Ball):
            yield sphere(x, fitting.ball_diameter_mm / 2)
            continue
        assert isinstance(sizes.body, FlatBar)
        t = sizes.body.thickness_mm / 2
        if isinstance(fitting, Eye):
            yield cylinder_y(x, fitting.bore_diameter_mm / 2, (-t, t))
        elif isinstance(fitting, Crosspin):
            low, high = sorted((rod.hand.inward_y * t, rod.hand.inward_y * (t + 3.5)))
            yield cylinder_y(x, fitting.pin_diameter_mm / 2, (low, high))


@pytest.mark.parametrize("name", TEMPLATES)
def test_chord_error_of_bores_pins_and_balls(name):
    rod, mesh = meshed(name)
    for distance in fitting_surfaces(rod):
        errors = chord_errors(mesh, distance)
        assert errors.max() <= CHORD
        assert errors.max() > CHORD / 20  # the probes do look between the corners


@pytest.mark.parametrize("name", TEMPLATES)
def test_corners_reach_to_the_envelope(name):
    rod, mesh = meshed(name)
    body = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    box = envelope_mm(compensated(rod.template, rod.length, NOMINAL), rod.hand)
    assert np.abs(body.bounds - box).max() < CHORD
    assert mesh.vertices.dtype == np.float64
    assert mesh.triangles.dtype == np.int32
    assert np.unique(mesh.triangles).size == len(mesh.vertices)


def test_meshing_leaves_nothing_on_the_solid():
    rod = rod_of("eye-eye-flat", "27.3")
    built = build(rod, label_of(rod))
    mesh_of(built.shape)
    coarse = built.shape.tessellate(1.0, 1.0)
    assert len(coarse[1]) < 2000


def test_binary_stl_byte_by_byte(tmp_path):
    # Binary STL as commonly described (no standard defines it; from memory): 80 + 4 + 50 n
    # bytes, little-endian.
    _, mesh = meshed("eye-eye-flat")
    path = tmp_path / "rod.stl"
    write_stl(mesh, path, "labkit 27.3")
    data = path.read_bytes()
    count = len(mesh.triangles)
    assert len(data) == 84 + 50 * count
    assert data[:11] == b"labkit 27.3"
    assert struct.unpack_from("<I", data, 80) == (count,)
    values = struct.unpack_from("<12fH", data, 84)
    a, b, c = np.array(values[3:12]).reshape(3, 3)
    normal = np.cross(b - a, c - a)
    assert np.array(values[:3]) == pytest.approx(normal / np.linalg.norm(normal), abs=1e-3)
    assert values[12] == 0
    assert trimesh.load(path).is_watertight


@pytest.mark.parametrize("title", ["solid rod", "SOLID", "x" * 81])
def test_titles_that_break_the_header(tmp_path, title):
    _, mesh = meshed("eye-eye-flat")
    with pytest.raises(DeliveryError, match="does not fit the header: at most 80"):
        write_stl(mesh, tmp_path / "rod.stl", title)


def test_missing_folder_is_told(tmp_path):
    _, mesh = meshed("eye-eye-flat")
    with pytest.raises(DeliveryError, match="No such file or directory; make its folder"):
        write_stl(mesh, tmp_path / "missing" / "rod.stl", "27.3")
