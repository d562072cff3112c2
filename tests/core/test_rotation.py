"""Rotation vectors against SciPy and finite differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from labkit.core.jaw.rotation import cross, rotations, skew


def vectors(size, count=50):
    rng = np.random.default_rng(7)
    directions = rng.normal(size=(count, 3))
    return size * directions / np.linalg.norm(directions, axis=1)[:, None]


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-4, 0.1, 0.2499, 0.2501, 1.0, 3.0])
def test_matrices_are_those_of_scipy(angle):
    omega = vectors(angle)
    assert rotations(omega)[0] == pytest.approx(Rotation.from_rotvec(omega).as_matrix(), abs=1e-14)


@pytest.mark.parametrize("angle", [0.0, 1e-4, 0.1, 0.2499, 0.2501, 1.0, 3.0])
def test_left_jacobian_is_the_derivative(angle):
    omega, step = vectors(angle), 1e-4
    jacobian = rotations(omega)[1]
    for axis in range(3):
        delta = step * np.eye(3)[axis]
        # exp(ω + δ) exp(ω − δ)⁻¹ = exp(2 J δ) to third order.
        ahead, behind = Rotation.from_rotvec(omega + delta), Rotation.from_rotvec(omega - delta)
        turn = (ahead * behind.inv()).as_rotvec() / (2 * step)
        assert jacobian[:, :, axis] == pytest.approx(turn, abs=2e-8)


def test_the_series_meets_the_closed_form():
    # One vector on each side of the border between series and closed form.
    below, above = (rotations(vectors(0.25 + shift))[1] for shift in (-1e-9, 1e-9))
    assert below == pytest.approx(above, abs=1e-8)


def test_cross_and_skew():
    rng = np.random.default_rng(3)
    first, second = rng.normal(size=(2, 20, 3))
    assert cross(first, second) == pytest.approx(np.cross(first, second), abs=1e-15)
    assert (skew(first) @ second[..., None])[..., 0] == pytest.approx(cross(first, second))
