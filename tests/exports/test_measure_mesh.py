"""STL files as the program measures them, against the drawing and with faults put in."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.rod.rods import Hand
from labkit.exports.check import limits
from labkit.exports.check.facet_groups import neighbours
from labkit.exports.check.measure_mesh import measure_mesh
from labkit.exports.check.stl_reader import FacetMesh, read_stl
from tests.support.sample_parts import BALL_BALL, EYE_EYE, PIN_EYE, RIGHT, Wrong, made, rod

RODS = [
    rod(EYE_EYE, "33.6"), rod(PIN_EYE, "28.4"), rod(PIN_EYE, "41.7", Hand.PLUS_Y),
    rod(BALL_BALL, "35.0"),
]


def measured(part, wrong=RIGHT):
    return measure_mesh(read_stl(made(part, wrong)[1]), part.template)


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_functional_length(part):
    assert measured(part).ends.length_mm == pytest.approx(float(part.length), abs=0.002)


@pytest.mark.parametrize(
    ("part", "lower_mm", "upper_mm", "holes"),
    [(RODS[0], 2.5, 2.5, 2), (RODS[1], 3.0, 2.5, 1), (RODS[3], 4.0, 4.0, 0)],
    ids=["eyes", "pin and eye", "balls"],
)
def test_diameters_closedness_and_holes(part, lower_mm, upper_mm, holes):
    mesh = measured(part)
    assert mesh.ends.lower.diameter_mm == pytest.approx(lower_mm, abs=limits.MESH_DIAMETER_MM)
    assert mesh.ends.upper.diameter_mm == pytest.approx(upper_mm, abs=limits.MESH_DIAMETER_MM)
    assert (mesh.watertight, mesh.winding, mesh.manifold) == (True, True, True)
    assert (mesh.genus, mesh.bodies) == (holes, 1)
    # A flat arc's mean height is 2/3 of its greatest.
    room = 2 / 3 * limits.MESH_CHORD_MM * mesh.curved_area_mm2
    assert mesh.volume_mm3 == pytest.approx(made(part)[2], abs=room)


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_three_thousandths_are_seen(part):
    length = measured(part, Wrong(length_by_mm=0.003)).ends.length_mm
    assert length == pytest.approx(float(part.length) + 0.003, abs=1e-5)
    assert abs(length - float(part.length)) > limits.MESH_LENGTH_MM


@pytest.mark.parametrize("part", RODS, ids=lambda part: part.part)
def test_volume_agrees_with_trimesh_and_manifold3d(part):
    import manifold3d
    import trimesh

    mesh = read_stl(made(part)[1])
    volume = measured(part).volume_mm3
    by_trimesh = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).volume
    body = manifold3d.Manifold(
        manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32))
    )
    assert volume == pytest.approx(by_trimesh, rel=1e-12)
    assert volume == pytest.approx(body.volume(), rel=1e-9)
    assert measured(part).genus == body.genus()
    assert (measured(part).manifold, body.status()) == (True, manifold3d.Error.NoError)


def test_a_wide_bore_is_seen():
    mesh = measured(RODS[0], Wrong(bore_by_mm=0.02))
    assert mesh.ends.upper.diameter_mm == pytest.approx(2.52, abs=limits.MESH_DIAMETER_MM)


def test_chord_error_of_a_bore_is_that_of_its_facets():
    # A regular n-gon inscribed in radius r misses it by r (1 − cos(π/n)) in the middle of a side.
    mesh = _tube(sides=24, radius=1.25, x=15.0)
    both = _join(mesh, _tube(sides=24, radius=1.25, x=-15.0))
    ends = measure_mesh(both, EYE_EYE).ends
    assert ends.upper.chord_mm == pytest.approx(1.25 * (1 - np.cos(np.pi / 24)), abs=1e-9)
    assert ends.length_mm == pytest.approx(30.0, abs=1e-12)


def test_a_missing_facet_is_seen():
    whole = read_stl(made(RODS[0])[1])
    mesh = measure_mesh(FacetMesh(whole.vertices, whole.triangles[:-1]), EYE_EYE)
    assert mesh.watertight is False
    assert mesh.manifold is False
    assert neighbours(FacetMesh(whole.vertices, whole.triangles[:-1])).open_edges == 3


def test_a_flipped_facet_is_seen():
    whole = read_stl(made(RODS[0])[1])
    triangles = whole.triangles.copy()
    triangles[7] = triangles[7][::-1]
    mesh = measure_mesh(FacetMesh(whole.vertices, triangles), EYE_EYE)
    assert mesh.winding is False
    assert mesh.manifold is False


def test_trimesh_says_the_same_of_closedness_and_winding():
    import trimesh

    whole = read_stl(made(RODS[0])[1])
    turned = whole.triangles.copy()
    turned[40] = turned[40][::-1]
    twice = np.vstack([whole.triangles, whole.triangles[:1]])
    right = whole.triangles
    for triangles in (right, right[1:], right[:, ::-1], turned, twice):
        mesh = measure_mesh(FacetMesh(whole.vertices, triangles), EYE_EYE)
        other = trimesh.Trimesh(whole.vertices, triangles, process=False)
        assert mesh.watertight == other.is_watertight
        assert mesh.winding == other.is_winding_consistent


def test_a_mesh_inside_out_has_negative_volume_and_no_bores():
    whole = read_stl(made(RODS[0])[1])
    mesh = measure_mesh(FacetMesh(whole.vertices, whole.triangles[:, ::-1]), EYE_EYE)
    assert mesh.volume_mm3 < 0
    assert mesh.ends.lower is None


def test_a_second_body_is_counted():
    whole = read_stl(made(RODS[0])[1])
    moved = FacetMesh(whole.vertices + np.array([0.0, 10.0, 0.0]), whole.triangles)
    mesh = measure_mesh(_join(whole, moved), EYE_EYE)
    assert (mesh.bodies, mesh.genus) == (2, 4)


def test_bodies_that_meet_in_a_corner_are_no_body():
    """Two tetrahedra with one corner: closed by their edges, yet no surface of a body."""
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    facets = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    vertices = np.vstack([corners, -corners[1:]])
    # The second one is turned about the common corner.
    other = np.where(facets == 0, 0, facets + 3)[:, ::-1]
    mesh = measure_mesh(FacetMesh(vertices, np.vstack([facets, other])), EYE_EYE)
    assert (mesh.watertight, mesh.winding, mesh.bodies, mesh.genus) == (True, True, 2, -1)
    assert mesh.manifold is False


def test_a_tilted_part_shows_its_tilt():
    whole = read_stl(made(RODS[0])[1])
    turn = 0.01
    rotation = np.array(
        [[1, 0, 0], [0, np.cos(turn), -np.sin(turn)], [0, np.sin(turn), np.cos(turn)]]
    )
    ends = measure_mesh(FacetMesh(whole.vertices @ rotation.T, whole.triangles), EYE_EYE).ends
    assert ends.lower.tilt == pytest.approx(np.sin(turn), abs=1e-6)
    assert ends.lower.diameter_mm == pytest.approx(2.5, abs=1e-5)


def _tube(sides: int, radius: float, x: float) -> FacetMesh:
    """An open tube along y seen from inside, as a bore's facets are."""
    angle = np.arange(sides) * 2 * np.pi / sides
    ring = np.column_stack([x + radius * np.cos(angle), -np.ones(sides), radius * np.sin(angle)])
    vertices = np.vstack([ring, ring + np.array([0.0, 2.0, 0.0])])
    i, j = np.arange(sides), (np.arange(sides) + 1) % sides
    triangles = np.vstack([
        np.column_stack([i, j, i + sides]), np.column_stack([j, j + sides, i + sides])
    ])
    return FacetMesh(vertices, triangles.astype(np.int32))


def _join(one: FacetMesh, other: FacetMesh) -> FacetMesh:
    return FacetMesh(
        np.vstack([one.vertices, other.vertices]),
        np.vstack([one.triangles, other.triangles + len(one.vertices)]).astype(np.int32),
    )
