"""Least-squares fits against SciPy, and points that fix nothing."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.errors import GeometryError
from labkit.exports.check.fit import fit_circle, fit_cylinder


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
