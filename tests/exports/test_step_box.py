"""The bounding box of a STEP file in closed form against the kernel's own search."""

from __future__ import annotations

import cadquery as cq
import pytest

from labkit.exports.check.step_box import bounding_box
from labkit.exports.check.step_courses import courses_of
from labkit.exports.check.step_reader import read_step
from labkit.exports.check.step_solid import solid_of
from tests.support.kernel_step import box_of
from tests.support.sample_parts import export_step


def rounded_disc():
    """A disc along y with rounded edges: two tori, a cylinder, two planes."""
    return cq.Workplane("XZ").circle(3.75).extrude(3.0).edges().fillet(0.5)


def part_of_a_ring():
    return cq.Workplane("XY", origin=(4.0, 0, 0)).circle(1.0).revolve(100.0, (-4, 0), (-4, 1))


def plain_box():
    return cq.Workplane("XY").box(3, 4, 5).edges("|Z").fillet(1.0)


def ball_on_a_neck():
    return cq.Workplane("XY").sphere(2.0).union(cq.Workplane("XY").circle(1.0).extrude(5.0))


MAKES = (rounded_disc, part_of_a_ring, plain_box, ball_on_a_neck)


def box(path):
    return bounding_box(courses_of(solid_of(read_step(path))))


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("turn", [(0, 0, 0), (90, 0, 0), (0, 0, 37), (31, 17, 43)])
def test_against_the_kernel(make, turn, tmp_path):
    shape = make().val()
    for axis, angle in zip(((1, 0, 0), (0, 1, 0), (0, 0, 1)), turn, strict=True):
        shape = shape.rotate(cq.Vector(0, 0, 0), cq.Vector(*axis), angle)
    kernel = box_of(shape)
    low, high = box(export_step(shape, tmp_path / "turned.step"))
    assert low == pytest.approx(kernel[:3], abs=2e-6)
    assert high == pytest.approx(kernel[3:], abs=2e-6)


def test_a_known_box(tmp_path):
    low, high = box(export_step(rounded_disc().val(), tmp_path / "disc.step"))
    assert low == pytest.approx((-3.75, -3.0, -3.75), abs=1e-9)
    assert high == pytest.approx((3.75, 0.0, 3.75), abs=1e-9)
