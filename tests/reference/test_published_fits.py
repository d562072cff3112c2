"""Published least-squares fits: circle, sphere, cylinder."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.exports.check.fit import fit_circle, fit_cylinder, fit_sphere

# Gander, Golub, Strebel 1994, the six points of their circle example.
GANDER = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


def test_circle_of_gander_golub_strebel():
    fit = fit_circle(GANDER)
    # Printed in the paper: 4.7398, 2.9835, 4.7142 (from memory); recomputed to seven digits.
    assert fit.center[0] == pytest.approx(4.7398, abs=5e-5)
    assert fit.center[1] == pytest.approx(2.9835, abs=5e-5)
    assert fit.radius_mm == pytest.approx(4.7142, abs=5e-5)
    assert fit.center == pytest.approx((4.739782, 2.983533), abs=5e-7)
    assert fit.radius_mm == pytest.approx(4.714226, abs=5e-7)
    assert fit.squares_mm2 == pytest.approx(1.2275991, abs=5e-8)


def test_points_on_a_sphere_give_that_sphere():
    points = np.array([[1, 0, 1], [0, 1, 1], [1, 2, 1], [1, 1, 2]], dtype=float)
    fit = fit_sphere(points)
    assert fit.center == pytest.approx((1, 1, 1), abs=1e-12)
    assert fit.radius_mm == pytest.approx(1, abs=1e-12)


def test_points_on_a_cylinder_give_that_cylinder():
    points = np.array(
        [[0, -2, 0], [0, 0, 2], [0, 2, 0], [5, -2, 0], [5, 0, 2], [5, 2, 0]], dtype=float
    )
    fit = fit_cylinder(points, (1.0, 0.1, -0.05))
    assert fit.axis == pytest.approx((1, 0, 0), abs=1e-12)
    assert fit.radius_mm == pytest.approx(2, abs=1e-12)
    assert fit.center[1:] == pytest.approx((0, 0), abs=1e-12)
