"""The mesher on plain shapes whose volume a handbook gives, and on what it refuses."""

from __future__ import annotations

import math

import cadquery as cq
import pytest
import trimesh

from labkit.errors import GeometryError
from labkit.exports.write.mesh import mesh_of


@pytest.mark.parametrize(("shape", "volume", "area"), [
    (cq.Solid.makeSphere(2.0, angleDegrees1=-90), 4 / 3 * math.pi * 8, 16 * math.pi),
    (cq.Solid.makeCylinder(1.25, 3.0), math.pi * 1.5625 * 3, 2 * math.pi * 1.25 * 4.25),
    (cq.Solid.makeBox(1.0, 2.0, 3.0), 6.0, 22.0),
], ids=["sphere", "cylinder", "box"])
def test_plain_solids(shape, volume, area):
    # Volumes and areas: school formulas.
    mesh = mesh_of(shape)
    body = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert volume - 0.005 * area <= body.volume <= volume * (1 + 1e-12)


def test_finer_chords_come_closer():
    ball = cq.Solid.makeSphere(2.0, angleDegrees1=-90)
    volumes = []
    for chord in (0.05, 0.005, 0.0005):
        mesh = mesh_of(ball, chord)
        volumes.append(trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).volume)
    assert volumes == sorted(volumes)
    assert volumes[-1] == pytest.approx(4 / 3 * math.pi * 8, rel=1e-3)


def test_turn_limit_holds_on_small_radii():
    mesh = mesh_of(cq.Solid.makeCylinder(0.01, 1.0), chord_mm=0.01, turn_rad=0.5)
    # 2 pi / 0.5 = 12.6: thirteen sides.
    assert len(mesh.vertices) == 26


def test_free_form_faces_are_refused():
    blob = (cq.Workplane().spline([(0, 0), (2, 1), (4, 0)]).lineTo(2, -3).close().extrude(1)).val()
    with pytest.raises(GeometryError, match="only .* can be meshed within the chord error"):
        mesh_of(blob)


def test_cones_are_refused():
    with pytest.raises(GeometryError, match="a Geom_ConicalSurface; only planes, cylinders, sph"):
        mesh_of(cq.Solid.makeCone(2.0, 1.0, 3.0))


def test_faces_without_profile_lines_are_refused():
    crossing = (cq.Workplane("XY").circle(2).extrude(6, both=True)
                .union(cq.Workplane("YZ").box(1, 1, 20).edges("|X").fillet(0.3)
                       .intersect(cq.Workplane("YZ").circle(9).extrude(6))
                       .rotate((0, 0, 0), (1, 0, 0), 30))).val()
    with pytest.raises(GeometryError, match="mesh"):
        mesh_of(crossing)
