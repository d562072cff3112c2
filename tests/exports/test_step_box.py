"""The bounding box of rounds in closed form against the kernel's own search."""

from __future__ import annotations

import cadquery as cq
import pytest
from OCP.Bnd import Bnd_Box
from OCP.BRepBndLib import BRepBndLib

from labkit.exports.check.step_box import bounding_box


def rounded_disc():
    """A disc along y with rounded edges: two tori, a cylinder, two planes."""
    return cq.Workplane("XZ").circle(3.75).extrude(3.0).edges().fillet(0.5)


def ring():
    return cq.Workplane(cq.Solid.makeTorus(5.0, 1.5, cq.Vector(1, 2, 3), cq.Vector(1, 0, 0)))


def part_of_a_ring():
    return cq.Workplane("XY", origin=(4.0, 0, 0)).circle(1.0).revolve(100.0, (-4, 0), (-4, 1))


def plain_box():
    return cq.Workplane("XY").box(3, 4, 5).edges("|Z").fillet(1.0)


def ball():
    return cq.Workplane("XY").sphere(2.0)


@pytest.mark.parametrize("make", [rounded_disc, ring, part_of_a_ring, plain_box, ball])
@pytest.mark.parametrize("turn", [(0, 0, 0), (90, 0, 0), (0, 0, 37), (31, 17, 43)])
def test_against_the_kernel(make, turn):
    shape = make().val()
    for axis, angle in zip(((1, 0, 0), (0, 1, 0), (0, 0, 1)), turn, strict=True):
        shape = shape.rotate(cq.Vector(0, 0, 0), cq.Vector(*axis), angle)
    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(shape.wrapped, box, False, False)
    low, high = bounding_box([face.wrapped for face in shape.Faces()])
    assert low == pytest.approx(box.Get()[:3], abs=2e-6)
    assert high == pytest.approx(box.Get()[3:], abs=2e-6)


def test_a_known_box():
    low, high = bounding_box([face.wrapped for face in rounded_disc().val().Faces()])
    assert low == pytest.approx((-3.75, -3.0, -3.75), abs=1e-7)
    assert high == pytest.approx((3.75, 0.0, 3.75), abs=1e-7)
