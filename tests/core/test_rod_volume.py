"""Closed-form volume against numerical integration that knows only what a point in a rod is.

Source of the expected values: SciPy's adaptive quadrature over the half widths of the cross
sections, written from the docstrings of the rod values; nothing of the builder.
"""

from __future__ import annotations

import dataclasses
import math

import pytest
from scipy.integrate import quad

from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.rods import Ball, Crosspin, Eye, FlatBar, Hand, RoundBar
from labkit.core.rod.volume import body_volume_mm3, envelope_mm
from labkit.errors import GeometryError

BAR = FlatBar(6.5, 3.0, 0.5, 3.0)
EYE = Eye(2.5, 7.5, "H8")
PIN = Crosspin(3.0, 3.5, 4.2, 1.0, 7.5, "f7", 0.3)
BALL = Ball(4.0, 2.4, 2.6, "h9")
ROUND = RoundBar(6.0, 1.2)


def half_height(bar, boss, reach, x):
    """Half height of the outline at x from the boss's centre, towards the bar."""
    h, b = bar.height_mm / 2, bar.blend_radius_mm
    touch = reach * boss / (boss + b)
    if x <= touch:
        return math.sqrt(max(boss**2 - x**2, 0.0))
    if x >= reach:
        return h
    return h + b - math.sqrt(b**2 - (reach - x) ** 2)


def level_area(bar, boss, drop, length):
    """Area of half a bar's outline, set in by `drop` all round, without the bore.

    Setting in turns boss R into R - drop, blend b into b + drop, h into h - drop.
    """
    inner = FlatBar(bar.height_mm - 2 * drop, 1.0, 0.1, bar.blend_radius_mm + drop)
    radius = boss - drop
    reach = math.sqrt((boss + bar.blend_radius_mm) ** 2
                      - (bar.height_mm / 2 + bar.blend_radius_mm) ** 2)
    outer = math.pi * radius**2 / 2
    points = [reach * radius / (radius + inner.blend_radius_mm), reach]
    inward, _ = quad(lambda x: 2 * half_height(inner, radius, reach, x), 0, length / 2,
                     points=points, epsabs=1e-11, limit=200)
    return outer + inward


def layered_end(bar, boss, length):
    """Half a flat bar, integrated through its thickness in layers."""
    e = bar.edge_radius_mm
    core = level_area(bar, boss, 0.0, length) * (bar.thickness_mm - 2 * e)
    # y = e sin t keeps the integrand smooth; the layer is set in by e (1 - cos t).
    edges, _ = quad(lambda t: level_area(bar, boss, e * (1 - math.cos(t)), length)
                    * e * math.cos(t), 0, math.pi / 2, epsabs=1e-10)
    return core + 2 * edges


def flat_by_layers(bar, lower, upper, length):
    total = 0.0
    for fitting in (lower, upper):
        total += layered_end(bar, fitting.boss_diameter_mm / 2, length)
        if isinstance(fitting, Eye):
            total -= math.pi * fitting.bore_diameter_mm**2 / 4 * bar.thickness_mm
        else:
            total += pin_by_discs(fitting)
    return total


def pin_by_discs(pin):
    c, lip, t = pin.lip_thickness_mm / 4, pin.lip_diameter_mm / 2, pin.lip_thickness_mm
    r, root = pin.pin_diameter_mm / 2, pin.root_radius_mm
    def radius(y):
        return lip - c + math.sqrt(c**2 - max(0.0, c - y, y - t + c) ** 2)
    def at_foot(y):
        return r + root - math.sqrt(root**2 - max(0.0, root - y) ** 2)
    lip_mm3, _ = quad(lambda y: math.pi * radius(y) ** 2, 0, t, points=[c, t - c])
    pin_mm3, _ = quad(lambda y: math.pi * at_foot(y) ** 2, 0, pin.pin_length_mm, points=[root])
    return pin_mm3 + lip_mm3


def round_by_slices(bar, ball, length):
    """Half a round bar, slice by slice along x; the flat cuts body slices, not the ball."""
    r, q = bar.diameter_mm / 2, bar.diameter_mm / 2 - bar.flat_depth_mm
    neck, sphere = ball.neck_diameter_mm / 2, ball.ball_diameter_mm / 2
    dome_x = length / 2 - ball.neck_length_mm - r

    def body(x):
        radius = r if x <= dome_x else math.sqrt(max(r**2 - (x - dome_x) ** 2, 0.0))
        area = math.pi * radius**2
        if radius > q:
            area -= radius**2 * math.acos(q / radius) - q * math.sqrt(radius**2 - q**2)
        return area if radius > neck or x <= dome_x else math.pi * neck**2

    def ball_slice(x):
        return math.pi * max(sphere**2 - (x - length / 2) ** 2, 0.0)

    end = length / 2 + sphere
    joint = length / 2 - sphere
    points = [dome_x, dome_x + math.sqrt(r**2 - q**2), dome_x + math.sqrt(r**2 - neck**2)]
    left, _ = quad(body, 0, joint, points=points, epsabs=1e-10, limit=400)
    cross = length / 2 - math.sqrt(sphere**2 - neck**2)
    mid, _ = quad(lambda x: max(math.pi * neck**2, ball_slice(x)), joint, cross)
    right, _ = quad(ball_slice, cross, end)
    return left + mid + right


@pytest.mark.parametrize("length", [16.0, 27.3, 60.0])
@pytest.mark.parametrize(("bar", "lower", "upper"), [
    (BAR, EYE, EYE),
    (FlatBar(5.5, 3.0, 0.5, 3.0), PIN, EYE),
    (FlatBar(4.8, 2.4, 0.4, 2.0), Eye(2.0, 5.6, "H8"), dataclasses.replace(EYE)),
])
def test_flat_bars_against_layers(bar, lower, upper, length):
    expected = flat_by_layers(bar, lower, upper, length)
    assert body_volume_mm3(RodSizes(bar, lower, upper, length)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("length", [16.0, 27.3, 60.0])
@pytest.mark.parametrize(("bar", "ball"), [(ROUND, BALL), (RoundBar(5.0, 1.0),
                                                           Ball(3.2, 2.0, 2.1, "h9"))])
def test_round_bars_against_slices(bar, ball, length):
    expected = 2 * round_by_slices(bar, ball, length)
    assert body_volume_mm3(RodSizes(bar, ball, ball, length)) == pytest.approx(expected, rel=1e-8)


def test_envelope_of_a_crosspin_rod_follows_its_hand():
    sizes = RodSizes(FlatBar(5.5, 3.0, 0.5, 3.0), PIN, EYE, 30.0)
    assert envelope_mm(sizes, Hand.MINUS_Y) == ((-18.75, -6.0, -3.75), (18.75, 1.5, 3.75))
    assert envelope_mm(sizes, Hand.PLUS_Y) == ((-18.75, -1.5, -3.75), (18.75, 6.0, 3.75))


@pytest.mark.parametrize(("body", "fitting"), [(BAR, BALL), (ROUND, EYE)])
def test_fittings_that_do_not_belong_on_a_body(body, fitting):
    with pytest.raises(GeometryError, match="does not fit a"):
        body_volume_mm3(RodSizes(body, fitting, fitting, 30.0))
