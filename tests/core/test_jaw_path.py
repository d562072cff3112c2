"""From lengths back to places on the recorded path, against a slow solution with SciPy."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.grading.bite import bite_scale
from labkit.core.grading.prescription import Action, JawModelName
from labkit.core.jaw import SlidingJaw, jaw_model
from labkit.core.jaw.path import (
    LEFT,
    MEAN,
    RIGHT,
    displacements_at,
    read_back_near_path,
)
from tests.support import independent
from tests.support.patients import random_prescription


def side_mismatch(jaw, pairs):
    return displacements_at(jaw, pairs[:, 0], LEFT) - displacements_at(jaw, pairs[:, 1], RIGHT)


CASES = [(model, action) for model in JawModelName for action in Action]


@pytest.mark.parametrize(("model", "action"), CASES)
def test_displacements_of_lengths_return(model, action):
    rng = np.random.default_rng([20310502, CASES.index((model, action))])
    for _ in range(20):
        prescription = random_prescription(rng, model, action)
        scale = bite_scale(prescription.bite)
        jaw = jaw_model(prescription, scale.sideways_per_mm)
        places = rng.uniform(-4, 3, 3)
        lengths = np.array([independent.exact_lengths(prescription, d) for d in places])
        for weights in (LEFT, RIGHT, MEAN):
            assert displacements_at(jaw, lengths @ weights, weights) == pytest.approx(
                places, abs=1e-7
            )
        assert side_mismatch(jaw, lengths) == pytest.approx(np.zeros(3), abs=1e-7)
        assert read_back_near_path(jaw, lengths).displacement_mm == pytest.approx(places, abs=1e-7)


@pytest.mark.parametrize("action", list(Action))
def test_sides_read_by_themselves_agree_with_the_sliding_model(action):
    rng = np.random.default_rng([20310503, list(Action).index(action)])
    for _ in range(20):
        prescription = random_prescription(rng, JawModelName.SLIDING, action)
        scale = bite_scale(prescription.bite)
        jaw = jaw_model(prescription, scale.sideways_per_mm)
        pair = np.round(jaw.design(np.array([1.0])).lengths_mm, 1)
        assert side_mismatch(jaw, pair) == pytest.approx(
            jaw.read_back(pair).side_mismatch_mm, abs=1e-9
        )


def test_a_length_that_the_path_does_not_have_is_not_a_number():
    # |U − M| = 30 along the path, 6 above it: no rod is shorter than 6 mm.
    jaw = SlidingJaw(((5, 20, 3), (5, -20, 3)), ((-25, 20, -3), (-25, -20, -3)), 0.0, 0.0)
    found = displacements_at(jaw, np.array([5.9, 30.0, -30.0]))
    assert np.isnan(found[[0, 2]]).all()
    assert found[1] == pytest.approx(30 - np.sqrt(900 - 36), abs=1e-12)
    assert read_back_near_path(jaw, np.array([[5.9, 5.9]])).problems
