"""Our jaw models against a slow solution with SciPy, over random prescriptions."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest

from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, JawModelName
from labkit.core.jaw import advancement_at_opening
from labkit.units import to_grid
from tests.support import independent
from tests.support.patients import WIDE_LIMITS, anchored, hinged, random_prescription

#: The slow ones: together more than 2000 prescriptions of two steps each.
PRESCRIPTIONS = [60, pytest.param(400, marks=pytest.mark.slow)]
EVERY_RATE = 10
CASES = [(model, action) for model in JawModelName for action in Action]


def close(ours, theirs, within):
    assert (ours is None) == (theirs is None)
    if ours is not None:
        assert ours == pytest.approx(theirs, abs=within)


def check_step(prescription, step, *, with_rates):
    d = independent.displacement(prescription, step.percent)
    assert step.displacement_mm == pytest.approx(d, abs=1e-12)
    exact = independent.exact_lengths(prescription, d)
    assert step.left.exact_mm == pytest.approx(exact[0], abs=1e-9)
    assert step.right.exact_mm == pytest.approx(exact[1], abs=1e-9)
    if with_rates:
        rates = independent.rates(prescription, d)
        assert step.left.mm_per_mm == pytest.approx(rates[0], abs=1e-8)
        assert step.right.mm_per_mm == pytest.approx(rates[1], abs=1e-8)
    lengths = float(step.left.label), float(step.right.label)
    for name, value in independent.made(prescription, d, lengths).items():
        close(getattr(step.made, name), value, 1e-8)


def check_unreachable(prescription, percent):
    """SciPy finds no pose for the rounded pair either, starting from the pose asked for."""
    d = independent.displacement(prescription, percent)
    lengths = [
        float(to_grid(exact, Decimal("0.1")))
        for exact in independent.exact_lengths(prescription, d)
    ]
    with pytest.raises(independent.NoSolutionError):
        independent.made(prescription, d, lengths)


@pytest.mark.parametrize("prescriptions", PRESCRIPTIONS)
@pytest.mark.parametrize(("model", "action"), CASES)
def test_lengths_rates_and_made_positions_agree(model, action, prescriptions):
    rng = np.random.default_rng([20310314, CASES.index((model, action))])
    compared = 0
    for case in range(prescriptions):
        prescription = random_prescription(rng, model, action)
        found = grade(prescription, WIDE_LIMITS)
        for step in found.steps:
            check_step(prescription, step, with_rates=case % EVERY_RATE == 0)
        unreached = [finding for finding in found.refused if finding.code == "jaw_pose"]
        for finding in unreached:
            check_unreachable(prescription, float(finding.where.removesuffix(" %")))
        assert len(found.steps) + len(unreached) == 2
        compared += len(found.steps)
    assert compared >= 0.99 * 2 * prescriptions


def test_opening_agrees():
    prescription = anchored(hinged(condylar_inclination_deg=(35.0, 28.0)))
    pairs, drops = np.array([[31.0, 31.3], [29.4, 29.0]]), np.array([1.0, 5.0, 9.0])
    ours, _ = advancement_at_opening(prescription, pairs, drops)
    _, _, registered = independent.numbers(prescription)
    for row, lengths in enumerate(pairs):
        for column, drop in enumerate(drops):
            pose = independent.hinged_open(prescription, lengths, drop)
            assert ours[row, column] == pytest.approx(registered + pose[0], abs=1e-8)
