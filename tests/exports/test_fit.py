"""Least-squares fits against printed examples and a second program."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.errors import GeometryError
from labkit.exports.fit import fit_circle, fit_cylinder, fit_sphere

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


def test_sphere_of_scikit_spatial():
    # scikit-spatial, documented example of Sphere.best_fit.
    points = np.array([[1, 0, 1], [0, 1, 1], [1, 2, 1], [1, 1, 2]], dtype=float)
    fit = fit_sphere(points)
    assert fit.center == pytest.approx((1, 1, 1), abs=1e-12)
    assert fit.radius_mm == pytest.approx(1, abs=1e-12)


def test_cylinder_of_scikit_spatial():
    # scikit-spatial, documented example of Cylinder.best_fit.
    points = np.array(
        [[0, -2, 0], [0, 0, 2], [0, 2, 0], [5, -2, 0], [5, 0, 2], [5, 2, 0]], dtype=float
    )
    fit = fit_cylinder(points, (1.0, 0.1, -0.05))
    assert fit.axis == pytest.approx((1, 0, 0), abs=1e-12)
    assert fit.radius_mm == pytest.approx(2, abs=1e-12)
    assert fit.center[1:] == pytest.approx((0, 0), abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_cylinder_against_scipy(seed):
    from scipy.optimize import least_squares

    random = np.random.default_rng(seed)
    angle, along = random.uniform(0, 2 * np.pi, 60), random.uniform(-2, 2, 60)
    true = 1.25 + random.normal(0, 0.01, 60)
    points = np.column_stack([true * np.cos(angle) + 0.05 * along, along, true * np.sin(angle)])
    points += random.uniform(-20, 20, 3)

    def residuals(q):  # axis through (q0, 0, q1) along (q2, 1, q3)
        axis = np.array([q[2], 1.0, q[3]])
        axis /= np.linalg.norm(axis)
        return np.linalg.norm(np.cross(points - [q[0], 0.0, q[1]], axis), axis=1) - q[4]

    start = [points[:, 0].mean(), points[:, 2].mean(), 0, 0, 1]
    other = least_squares(residuals, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    fit = fit_cylinder(points, (0.0, 1.0, 0.0))
    assert fit.radius_mm == pytest.approx(other.x[4], abs=1e-8)
    assert fit.squares_mm2 == pytest.approx(2 * other.cost, abs=1e-10)
    slopes = (fit.axis[0] / fit.axis[1], fit.axis[2] / fit.axis[1])
    assert slopes == pytest.approx(other.x[2:4], abs=1e-7)


@pytest.mark.parametrize(
    "points", [[[0, 0], [1, 1], [2, 2], [5, 5]], [[0, 0], [1, 0]], [[3, 3], [3, 3], [3, 3]]]
)
def test_points_that_fix_no_circle_are_refused(points):
    with pytest.raises(GeometryError, match="do not fix a circle"):
        fit_circle(np.array(points, dtype=float))
