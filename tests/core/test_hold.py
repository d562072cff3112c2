"""How far rods within tolerance let the jaw move: corners against random pairs and the Jacobian."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import grade, side_tolerance
from labkit.core.grading.hold import Slack, check_holds
from labkit.core.grading.prescription import Action, Anchors, JawModelName
from labkit.core.jaw.build import jaw_model
from tests.support import independent
from tests.support.findings import found, noted, refusal
from tests.support.patients import (
    LIMITS,
    WIDE_LIMITS,
    anchored,
    hinged,
    percents,
    plain,
    random_prescription,
)

D = Decimal
GRADING = percents(50, "62.5", 75, "87.5", 100)
#: What the region's corners may miss for curvature.
CURVATURE = 1.05
#: Pairs of a step that SciPy solves too.
BY_SCIPY = 5


def let_through(step, grading, rng, count):
    """Random errors of both rods that a release lets through."""
    left, right = float(step.left.tolerance_mm), float(step.right.tolerance_mm)
    apart = float(side_tolerance(step, grading))
    errors = rng.uniform(-1, 1, (8 * count, 2)) * [left, right]
    kept = errors[np.abs(errors[:, 0] - errors[:, 1]) <= apart][:count]
    return kept + np.array([[float(step.left.length), float(step.right.length)]])


def check_by_scipy(rx, step, lengths, read):
    """SciPy finds the same places for a step's first pairs."""
    registered = independent.numbers(rx)[2]
    for at, pair in enumerate(lengths[:BY_SCIPY]):
        # SciPy starts beside the pose asked for: from exactly nothing it once did not arrive.
        theirs = independent.made(rx, step.displacement_mm + 1e-3, tuple(pair))
        ours = registered + read.displacement_mm[at], read.deviation_mm[at]
        place = theirs["advancement_mm"], theirs["deviation_mm"]
        assert ours == pytest.approx(place, abs=1e-8)


def check_sets(sets, pairs, action, seed):
    rng = np.random.default_rng([seed, list(Action).index(action)])
    accepted = 0
    for _ in range(sets):
        wanted = percents(*GRADING.listed, side_tolerance_mm=rng.choice([None, D("0.05")]))
        rx = replace(random_prescription(rng, JawModelName.HINGED, action), grading=wanted)
        graded = grade(rx, WIDE_LIMITS)
        if graded.refused:
            continue
        accepted += 1
        scale = bite_scale(rx.bite)
        model = jaw_model(rx, scale.sideways_per_mm)
        for step in graded.steps:
            lengths = let_through(step, rx.grading, rng, pairs)
            near = model.design(np.full(len(lengths), step.displacement_mm))
            read = model.read_back(lengths, near)
            assert read.problems == {}
            check_by_scipy(rx, step, lengths, read)
            made = step.made.advancement_mm - float(scale.registered_advancement_mm)
            forward = np.abs(read.displacement_mm - made).max()
            sideways = np.abs(read.deviation_mm - step.made.deviation_mm).max()
            assert forward <= CURVATURE * step.hold.forward_mm
            assert sideways <= CURVATURE * step.hold.sideways_mm
    assert accepted > sets / 4


@pytest.mark.parametrize("action", Action)
def test_random_pairs_that_a_release_lets_through_stay_within_what_is_said(action):
    check_sets(16, 200, action, 20310401)


@pytest.mark.slow
@pytest.mark.parametrize("action", Action)
def test_random_pairs_of_5000_sets_stay_within_what_is_said(action):
    check_sets(2500, 200, action, 20310402)


def test_the_corners_are_those_of_the_hexagon():
    slack = Slack(np.array([[30.0, 31.0]]), np.array([[0.1, 0.15]]), np.array([0.12]))
    errors = {tuple(pair) for pair in (slack.corners()[0] - [30.0, 31.0]).round(9).tolist()}
    # Worked by hand: |l| ≤ 0.1, |r| ≤ 0.15, |l − r| ≤ 0.12.
    assert errors == {
        (0.1, -0.02), (0.1, 0.15), (-0.1, 0.02), (-0.1, -0.15), (0.03, 0.15), (-0.03, -0.15),
    }


def test_a_second_road_by_the_inverse_jacobian():
    rng = np.random.default_rng(20310403)
    for _ in range(20):
        rx = replace(
            random_prescription(rng, JawModelName.HINGED, Action.PUSH), grading=percents(40, 80)
        )
        graded = grade(rx, WIDE_LIMITS)
        model = jaw_model(rx, bite_scale(rx.bite).sideways_per_mm)
        for step in graded.steps:
            lengths = np.array([[float(step.left.length), float(step.right.length)]])
            small = 1e-5
            moved = lengths + small * np.array([[0, 0], [1, 0], [0, 1]])
            read = model.read_back(moved, model.design(np.full(3, step.displacement_mm)))
            place = np.stack([read.displacement_mm, read.deviation_mm], axis=1)
            jacobian = (place[1:] - place[0]) / small  # rows: left, right
            tolerance = float(step.left.tolerance_mm)
            apart = float(side_tolerance(step, rx.grading))
            if step.left.tolerance_mm != step.right.tolerance_mm or apart != tolerance:
                continue
            corners = tolerance * np.array([[1, 0], [1, 1], [0, 1], [-1, 0], [-1, -1], [0, -1]])
            worst = np.abs(corners @ jacobian).max(axis=0)
            held = step.hold.forward_mm, step.hold.sideways_mm
            assert held == pytest.approx(tuple(worst), rel=0.05)


def test_the_straight_model_does_not_know_sideways():
    (step,) = grade(plain(grading=percents(70)), LIMITS).steps
    assert step.hold.forward_mm == pytest.approx(0.15)
    assert step.hold.sideways_mm is None
    assert step.hold.problem == ""


def flared(lower_y):
    """A hinged pull case whose upper seats stand further out than its lower ones."""
    return {
        "left": Anchors(upper=(5.0, 27.0, 6.0), lower=(-24.0, lower_y, -6.0)),
        "right": Anchors(upper=(5.0, -27.0, 6.0), lower=(-24.0, -lower_y, -6.0)),
    }


def test_rods_that_let_the_jaw_swing_are_refused():
    flare = anchored(hinged(), grading=GRADING, **flared(22.0))
    assert refusal(flare, "jaw_not_held_sideways").message == (
        "rods at 50 % that are within tolerance let the jaw move ±1.85 mm sideways; at most ±1 mm "
        "is allowed, so move the seats further apart along the path, choose other rods, or state a "
        "narrower tolerance, or let the prescription allow more (grading.most_sideways)"
    )
    assert refusal(flare, "pair_without_pose").message.startswith(
        "rods at 100 % that are within tolerance do not hold the jaw anywhere: "
    )


def test_a_prescription_may_allow_more_sideways():
    flare = anchored(hinged(), grading=GRADING, **flared(19.0))
    assert "jaw_not_held_sideways" in found(flare)
    allowed = replace(flare, grading=replace(GRADING, most_sideways_mm=D("1.6")))
    assert "jaw_not_held_sideways" not in found(allowed)


def test_steps_nearer_than_their_rods_hold_the_jaw_are_refused():
    # ±0.15 mm of length are ±0.15 mm of advancement: neighbours must be more than 0.3 mm apart.
    close = plain(grading=percents(50, 53, 60))
    assert refusal(close, "jaw_not_held_forward").message == (
        "rods at 50 % that are within tolerance let the jaw move ±0.15 mm forward, but the next "
        "step is only 0.30 mm away and it must stay below half of that; move the seats further "
        "apart along the path, choose other rods, or state a narrower tolerance, or set the steps "
        "further apart"
    )
    assert "jaw_not_held_forward" not in found(plain(grading=percents(50, 54, 60)))


def test_rounding_that_moves_the_jaw_far_is_noted():
    coarse = plain(grading=percents(53, 77, grid_mm=D("0.5")))
    assert noted(coarse, "rounding_moves_jaw").message == (
        "rounding to the length grid moves the jaw by more than 0.1 mm at 1 of 2 steps, most at "
        "53 % (+0.22 mm); a finer length grid comes nearer"
    )


def test_rods_made_far_from_what_was_asked_are_refused():
    # The length is right to half a grid step, but 0.3 mm behind what was asked.
    (step,) = grade(plain(grading=percents(70)), LIMITS).steps
    behind = replace(step, made=replace(step.made, advancement_mm=step.advancement_mm - 0.3))
    (finding,) = check_holds([behind], GRADING)
    assert (finding.code, finding.severity) == ("made_far_from_asked", "refused")
    assert finding.message == (
        "the rods of 70 % would hold the jaw -0.30 mm from the 6.44 mm that were asked for, more "
        "than one step of the length grid explains (0.10 mm); move the seats further apart along "
        "the path, choose other rods, or state a narrower tolerance, or give a finer length grid"
    )
    one_step = replace(step, made=replace(step.made, advancement_mm=step.advancement_mm - 0.1))
    assert check_holds([one_step], GRADING) == ()


def test_a_step_that_does_not_stand_in_front_of_the_one_before_is_refused():
    lower, upper = grade(plain(grading=percents(60, 70)), LIMITS).steps
    back = replace(upper, made=replace(upper.made, advancement_mm=5.4))
    found = {finding.code: finding for finding in check_holds([lower, back], GRADING)}
    assert found["steps_do_not_advance"].severity == "refused"
    assert found["steps_do_not_advance"].message == (
        "the rods of 70 % would hold the jaw at 5.40 mm, not in front of those of 60 % (5.50 mm); "
        "set the steps further apart, or give a finer length grid"
    )
    assert check_holds([lower, upper], GRADING) == ()
