"""Robust fits against plain least squares, another library, and what they promise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from labkit.errors import GeometryError
from labkit.exports.scan import fit as scan_fit
from labkit.exports.scan.fit import SQUARE, robust_cylinder, robust_sphere
from labkit.exports.scan.measure import _variances as variances_of
from labkit.exports.scan.noise import Alike, alike

# Gander, Golub, Strebel 1994, the six points of their circle example.
GANDER = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
WHITE = Alike(0.0, 0.1, 1)


def wall(random, *, noise=0.02, count=800, radius=1.25, sweep=2 * np.pi, center=(0.1, -0.05)):
    angle, y = random.uniform(0, sweep, count), random.uniform(-1.2, 1.2, count)
    r = radius + random.normal(0, noise, count)
    return np.column_stack([center[0] + r * np.cos(angle), y, center[1] + r * np.sin(angle)])


def ball(random, *, noise=0.02, count=1500, radius=2.0, center=(0.1, -0.05, 0.07)):
    out = random.normal(size=(count, 3))
    out *= (radius + random.normal(0, noise, count))[:, None] / np.linalg.norm(out, axis=1)[:, None]
    return (out + center)[out[:, 0] > -1.4]


def test_gander_circle_as_a_wall(monkeypatch):
    """The circle's points at two heights; with no point taken for a stray one it is their fit."""
    monkeypatch.setattr(scan_fit, "TUKEY", 1e6)
    ring = np.column_stack([GANDER[:, 0], np.zeros(6), GANDER[:, 1]]) / 20.0
    points = np.vstack([ring - [0, 0.5, 0], ring - [0, -0.5, 0]])
    fit = scan_fit.robust_cylinder(points, (0.24, 0.15), 0.0, 0.235)
    # Printed in the paper: 4.7398, 2.9835, 4.7142 (from memory); recomputed to seven digits, with
    # the sum of squares 1.2275991 for the six points.
    found = 20 * np.array([fit.center[0], fit.center[2], fit.radius_mm])
    assert found == pytest.approx([4.739782, 2.983533, 4.714226], abs=2e-6)
    assert 400 * float(fit.residuals @ fit.residuals) / 2 == pytest.approx(1.2275991, abs=5e-7)
    assert fit.slopes == pytest.approx((0.0, 0.0), abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_sphere_against_an_algebraic_fit(seed):
    from skspatial.objects import Sphere

    points = ball(np.random.default_rng(seed))
    fit, other = robust_sphere(points, (0.0, 0.0, 0.0), 1.9), Sphere.best_fit(points)
    # Theirs is algebraic, ours orthogonal and weighted: alike to a part of the noise / √n.
    limit = 4 * 0.02 / np.sqrt(len(points))
    assert fit.center == pytest.approx(tuple(other.point), abs=limit)
    assert fit.radius_mm == pytest.approx(other.radius, abs=limit)
    assert fit.scatter_mm == pytest.approx(0.02, rel=0.1)


@pytest.mark.parametrize("seed", range(3))
def test_cylinder_against_an_algebraic_fit(seed):
    from skspatial.objects import Cylinder

    # Long enough for a library that knows of no square axis to find the axis at all.
    points = wall(np.random.default_rng(seed)) * [1.0, 5.0, 1.0]
    fit = robust_cylinder(points, (0.0, 0.0), 0.0, 1.2)
    other = Cylinder.best_fit(points)
    axis = np.asarray(other.vector) / other.vector.norm()
    at = np.asarray(other.point) - axis * (other.point[1] / axis[1])
    limit = 4 * 0.02 / np.sqrt(len(points))
    assert (fit.center[0], fit.center[2]) == pytest.approx((at[0], at[2]), abs=limit)
    assert fit.radius_mm == pytest.approx(other.radius, abs=limit)
    slopes = (axis[0] / axis[1], axis[2] / axis[1])
    assert fit.slopes == pytest.approx(slopes, abs=1e-3)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.4])
def test_stray_points_do_not_pull(share):
    random = np.random.default_rng(7)
    points = wall(random)
    stray = random.uniform([-0.3, -1.2, -0.3], [1.4, 1.2, 1.4], (int(share * len(points)), 3))
    across = np.hypot(stray[:, 0] - 0.1, stray[:, 2] + 0.05)
    stray = stray[np.abs(across - 1.25) < 0.3]  # as the search takes them: on one side
    fit = robust_cylinder(np.vstack([points, stray]), (0.0, 0.0), 0.0, 1.2)
    alone = robust_cylinder(points, (0.0, 0.0), 0.0, 1.2)
    assert fit.center == pytest.approx(alone.center, abs=0.002)
    assert fit.radius_mm == pytest.approx(alone.radius_mm, abs=0.002)


def test_a_quarter_of_a_wall_keeps_its_axis_square():
    random = np.random.default_rng(3)
    fit = robust_cylinder(wall(random, sweep=np.pi / 2, noise=0.03), (0.0, 0.0), 0.0, 1.2)
    assert np.hypot(*fit.slopes) < 3 * SQUARE


def test_covariance_holds_for_white_noise():
    """The standard deviation of 200 fits against the one that each states."""
    centers, stated = [], []
    for seed in range(200):
        fit = robust_cylinder(
            wall(np.random.default_rng(seed), count=300, sweep=4.0), (0.0, 0.0), 0.0, 1.2
        )
        centers.append([fit.center[0], fit.center[2], fit.radius_mm])
        variance, _ = fit.spread(WHITE)
        stated.append(np.diag(fit.covariance(WHITE, variance))[[0, 1, 4]])
    ratio = np.std(centers, axis=0) / np.sqrt(np.mean(stated, axis=0))
    # The standard deviation of 200 values is known to 5 %: three times that, and Tukey's 2.5 %.
    assert ratio == pytest.approx(1.0, abs=0.15)


def test_covariance_holds_where_neighbours_err_alike():
    """Second road: the scatter of 60 centres against what each fit states of itself."""
    centers, stated = [], []
    for seed in range(60):
        random = np.random.default_rng(seed)
        out = random.normal(size=(500, 3))
        out /= np.linalg.norm(out, axis=1)[:, None]
        waves = random.normal(0.0, 1.0 / 0.3, (3, 160))
        phases = random.uniform(0.0, 2.0 * np.pi, 160)
        errors = 0.03 * np.sqrt(2.0 / 160) * np.cos(1.6 * out @ waves + phases).sum(axis=1)
        fit = robust_sphere(out * (1.6 + errors)[:, None], (0.0, 0.0, 0.0), 1.6)
        found = alike([(fit.points[fit.used], fit.residuals[fit.used])])
        centers.append(fit.center)
        stated.append(np.diag(fit.covariance(found, fit.spread(found)[0]))[:3])
    # 180 coordinates: their standard deviation is known to 5 %; twice that, and as much and more
    # for the estimated correlation. White noise would be stated six times too small.
    assert np.std(centers) / np.sqrt(np.mean(stated)) == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize(("length", "power"), [(0.2, 2), (0.4, 2), (0.3, 1)])
def test_errors_that_neighbours_share_are_found(length, power):
    shares, lengths = [], []
    for seed in range(12):
        random = np.random.default_rng(seed)
        points = wall(random, noise=0.0, count=500)
        matrix = Alike(0.8, length, power).between(points)
        errors = np.linalg.cholesky(matrix + 1e-9 * np.eye(500)) @ random.normal(size=500)
        found = alike([(points, 0.02 * errors)])
        shares.append(found.share * found.length_mm**2)  # area that errs alike
        lengths.append(found.length_mm)
    assert np.median(lengths) == pytest.approx(length, rel=0.45)
    assert np.median(shares) == pytest.approx(0.8 * length**2, rel=0.6)


def test_white_noise_is_not_taken_for_shared():
    areas = []
    for seed in range(12):
        random = np.random.default_rng(seed)
        points = wall(random, noise=0.0, count=800)
        found = alike([(points, random.normal(0, 0.02, 800))])
        areas.append(found.share * found.length_mm**2)
    assert np.median(areas) < 0.005


def test_too_few_points_are_refused():
    with pytest.raises(GeometryError, match="11 points do not fix"):
        robust_sphere(np.zeros((11, 3)), (0, 0, 0), 1.0)


@dataclass(frozen=True)
class Scatter:
    """An end whose fit says no more than its scatter."""

    end: str
    variance: float
    freedom: float

    @property
    def fit(self):
        return self

    def spread(self, _errors):
        return self.variance, self.freedom


def test_both_ends_scatter_is_pooled_by_hand():
    """An end of 5 degrees of freedom leans on one of 50; worked out by hand, in 1e-6 mm².

    Pooled: (5 · 4 + 50 · 1) / 55 = 1.2727…; as 20 degrees of freedom it stands beside each end's
    own: (20 · 1.2727 + 5 · 4) / 25 = 1.8182 and (20 · 1.2727 + 50 · 1) / 70 = 1.0779. No end knows
    more than both together: 25 and 55 degrees of freedom.
    """
    ends = Scatter("lower", 4e-6, 5.0), Scatter("upper", 1e-6, 50.0)
    found = variances_of(ends, WHITE)
    assert found["lower"] == (pytest.approx(1.818182e-6, rel=1e-6), 25.0)
    assert found["upper"] == (pytest.approx(1.077922e-6, rel=1e-6), 55.0)


def test_two_poor_ends_do_not_know_more_than_they_saw():
    found = variances_of((Scatter("lower", 1e-6, 3.0), Scatter("upper", 1e-6, 4.0)), WHITE)
    assert [freedom for _, freedom in found.values()] == [7.0, 7.0]
    assert [variance for variance, _ in found.values()] == pytest.approx([1e-6, 1e-6])
