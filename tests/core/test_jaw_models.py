"""The three jaw models: inverse functions, Jacobian, signs, batches, and what they refuse."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from labkit.core.grading.jaw_averages import PADS_LEFT, PADS_RIGHT, bonwill_condyles
from labkit.core.grading.prescription import Action, Anchors, JawModelName
from labkit.core.jaw import (
    SlidingJaw,
    StraightJaw,
    advancement_at_opening,
    hinged_jaw,
    jaw_model,
    require_solved,
)
from labkit.core.jaw.newton import linear_solve
from labkit.errors import JawModelError, RefusedError
from tests.support import independent
from tests.support.patients import anchored, hinged, plain, random_prescription, sliding


def a_hinged(seed=1, action=Action.PULL):
    rng = np.random.default_rng(seed)
    return random_prescription(rng, JawModelName.HINGED, action)


def model_of(prescription):
    return jaw_model(prescription, independent.numbers(prescription)[1])


@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("name", list(JawModelName))
def test_length_to_position_to_length(name, action):
    rng = np.random.default_rng(11)
    compared = 0
    for _ in range(60):
        prescription = random_prescription(rng, name, action)
        model = model_of(prescription)
        asked = rng.uniform(-3, 3, 20)
        designed = model.design(asked)
        made = model.read_back(designed.lengths_mm)
        # From the registered bite every length is reached, but past a singular pair of rods.
        kept = [member for member in range(20) if member not in made.problems]
        compared += len(kept)
        assert made.displacement_mm[kept] == pytest.approx(asked[kept], abs=1e-9)
        if name is not JawModelName.HINGED:
            assert made.side_mismatch_mm[kept] == pytest.approx(0.0, abs=1e-9)
            again = model.design(made.displacement_mm[kept]).lengths_mm
        else:
            jaw = hinged_jaw(prescription, 0.0)
            solved = jaw.poses(made.displacement_mm[kept], made.deviation_mm[kept])
            again = jaw.lengths(solved)[0]
        assert again == pytest.approx(designed.lengths_mm[kept], abs=1e-9)
    assert compared >= 0.95 * 60 * 20


@given(
    st.floats(-6, 6), st.floats(-25, 35), st.floats(-0.4, 0.4),
    st.sampled_from([Action.PULL, Action.PUSH]),
)
def test_sliding_reads_back_what_it_designed(d, slope, sideways, action):
    ahead = 28.0 * action.sigma
    jaw = SlidingJaw(
        ((ahead - 20, 24.0, 7.0), (ahead - 21, -25.0, 6.0)),
        ((-20.0, 25.0, -5.0), (-21.0, -24.0, -6.0)), slope, sideways,
    )
    lengths = jaw.design(np.array([d])).lengths_mm
    # The root taken is the one continuous with d = 0: the rod has not passed the upright.
    assume((action.sigma * jaw.design(np.array([d])).mm_per_mm < -0.01).all())
    made = jaw.read_back(lengths)
    assert made.displacement_mm[0] == pytest.approx(d, abs=1e-9)
    assert made.deviation_mm[0] == pytest.approx(sideways * d, abs=1e-9)


def test_straight_mismatch_is_left_minus_right():
    made = StraightJaw((33.6, 33.0), 1).read_back(np.array([[33.1, 32.7]]))
    assert made.displacement_mm[0] == pytest.approx(0.4, abs=1e-12)
    assert made.side_mismatch_mm[0] == pytest.approx(0.2, abs=1e-12)
    assert made.deviation_mm is made.rotation_deg is made.pad_gap_mm is None


def test_a_sliding_rod_parallel_to_the_path_changes_by_1_mm_per_mm():
    # Parallel to a path that falls by 20°: 1 mm along x is 1/cos 20° along the path.
    slope = math.radians(20)
    lower = (-25.0, 24.0, -5.0)
    upper = (-25 + 30 * math.cos(slope), 24.0, -5 - 30 * math.sin(slope))
    jaw = SlidingJaw((upper, upper), (lower, lower), 20.0, 0.0)
    assert jaw.design(np.array([1.5])).mm_per_mm[0] == pytest.approx(-1 / math.cos(slope))


def test_sliding_names_a_length_it_cannot_reach():
    jaw = SlidingJaw(((0.0, 24.0, 8.0),) * 2, ((-6.0, 24.0, -2.0),) * 2, 0.0, 0.0)
    made = jaw.read_back(np.array([[11.0, 11.0], [9.99, 11.0], [11.0, 9.5]]))
    assert set(made.problems) == {1, 2}
    assert made.problems[1].startswith("no point of the path gives a left rod of 9.990 mm")
    assert made.problems[2].startswith("no point of the path gives a right rod of 9.500 mm")
    assert np.isnan(made.displacement_mm).tolist() == [False, True, True]


def test_the_jacobian_is_that_of_the_conditions():
    jaw = hinged_jaw(a_hinged(), 0.1)
    conditions = jaw._conditions((*jaw._guides(), jaw._pad_rows()), with_rods=True)
    rng = np.random.default_rng(5)
    poses = np.concatenate((rng.uniform(-8, 8, (40, 3)), rng.uniform(-0.3, 0.3, (40, 3))), axis=1)
    _, jacobian = conditions.measure(poses)
    for unknown, step in enumerate([1e-3] * 3 + [1e-4] * 3):
        delta = step * np.eye(6)[unknown]

        def at(times, delta=delta):
            return conditions.measure(poses + times * delta)[0]
        slope = (at(-2) - 8 * at(-1) + 8 * at(1) - at(2)) / (12 * step)
        assert jacobian[:, :, unknown] == pytest.approx(slope, abs=2e-8)


def test_residuals_stay_within_1e_10_mm():
    prescription = a_hinged(4)
    jaw = hinged_jaw(prescription, 0.15)
    designed = jaw.design(np.linspace(-6, 6, 200))
    assert not designed.problems
    for d, pose in zip(np.linspace(-6, 6, 200), designed.poses, strict=True):
        standing = independent.standing_conditions(pose, prescription.jaw)
        assert np.abs([*standing, pose[0] - d, pose[1] - 0.15 * d]).max() <= 1e-10


def test_a_batch_is_one_by_one():
    jaw = hinged_jaw(a_hinged(2), 0.1)
    asked = np.linspace(-5, 5, 9)
    together = jaw.design(asked)
    read = jaw.read_back(together.lengths_mm)
    for member, d in enumerate(asked):
        alone = jaw.design(np.array([d]))
        assert alone.lengths_mm[0] == pytest.approx(together.lengths_mm[member], abs=1e-11)
        made = jaw.read_back(alone.lengths_mm)
        assert made.poses[0] == pytest.approx(read.poses[member], abs=1e-10)


def test_a_batch_of_jaws_is_one_by_one():
    # Every pose with a geometry of its own, as a Monte Carlo run needs it.
    jaws = [hinged_jaw(a_hinged(seed), 0.1) for seed in range(8)]
    names = [field for field in vars(jaws[0])]
    batch = type(jaws[0])(*(np.concatenate([getattr(jaw, name) for jaw in jaws]) for name in names))
    asked = np.linspace(-3, 3, 8)
    together = batch.design(asked)
    made = batch.read_back(together.lengths_mm, together)
    assert made.displacement_mm == pytest.approx(asked, abs=1e-9)
    for member, jaw in enumerate(jaws):
        alone = jaw.design(asked[member:member + 1])
        assert alone.lengths_mm[0] == pytest.approx(together.lengths_mm[member], abs=1e-11)
        assert alone.mm_per_mm[0] == pytest.approx(together.mm_per_mm[member], abs=1e-11)
        gaps = jaw.pad_gaps(alone.poses)[0]
        assert gaps == pytest.approx(batch.pad_gaps(together.poses)[member], abs=1e-10)


def test_pitch_is_positive_where_the_chin_goes_down():
    # Opening on rods: the chin drops more than the condyles, which slide forward and down.
    prescription = anchored(hinged())
    jaw = hinged_jaw(prescription, 0.0)
    registered = np.array([[independent.registered_length(prescription.left)] * 2])
    pose = jaw.opening(registered, np.array([6.0])).poses[0]
    assert pose[2] == pytest.approx(-6.0, abs=1e-10)
    assert pose[4] > math.radians(2)


def test_yaw_is_positive_where_the_chin_goes_to_the_patients_left():
    jaw = hinged_jaw(anchored(hinged(condylar_inclination_deg=(0.0, 0.0))), 0.0)
    pose = jaw.poses(np.array([0.0]), np.array([3.0])).poses[0]
    # On flat guides the jaw turns about z alone: the condyles' midpoint, a cos φ = 81.581 mm
    # behind, keeps its y, and the incisal point swings by 3 mm to the left.
    assert pose[5] == pytest.approx(math.asin(3 / 81.581), abs=1e-6)
    assert pose[3:5] == pytest.approx(0.0, abs=1e-12)


def test_roll_is_positive_where_the_left_side_comes_up():
    # A flat left and a steep right guide: going forward the right condyle drops further.
    jaw = hinged(condylar_inclination_deg=(5.0, 45.0))
    model = hinged_jaw(anchored(jaw), 0.0)
    made = model.read_back(model.design(np.array([4.0])).lengths_mm)
    assert made.rotation_deg[0, 0] > 0.5
    # The right pad sinks with it and stands apart, the left one rises.
    assert made.pad_gap_mm[0, 0] < -0.1 < 0.1 < made.pad_gap_mm[0, 1]
    assert made.pad_gap_mm[0].sum() == pytest.approx(0.0, abs=1e-9)


def test_the_pad_gap_is_measured_along_z_to_an_inclined_plane():
    # Guides parallel to the contact plane: the jaw slides along it and no gap opens.
    jaw = hinged(condylar_inclination_deg=(12.0, 12.0), contact_inclination_deg=12.0)
    model = hinged_jaw(anchored(jaw), 0.0)
    designed = model.design(np.array([5.0]))
    assert designed.poses[0, 2] == pytest.approx(-5 * math.tan(math.radians(12)), abs=1e-10)
    assert model.pad_gaps(designed.poses)[0] == pytest.approx(0.0, abs=1e-10)
    lowered = designed.poses + np.array([0, 0, -0.7, 0, 0, 0])
    assert model.pad_gaps(lowered)[0] == pytest.approx(0.7, abs=1e-10)


def test_unequal_rods_turn_the_hinged_jaw():
    # A left pull rod that is too short draws the left side forward: the chin goes to the right.
    model = hinged_jaw(anchored(hinged()), 0.0)
    level = model.design(np.array([0.0])).lengths_mm
    made = model.read_back(level + np.array([[-0.5, 0.5]]))
    assert made.rotation_deg[0, 2] < -0.3
    assert made.deviation_mm[0] < -0.5
    assert made.displacement_mm[0] == pytest.approx(0.0, abs=0.1)


def test_poses_out_of_reach_are_named_and_the_others_stay():
    jaw = hinged_jaw(anchored(hinged()), 0.0)
    designed = jaw.design(np.array([0.0, 500.0, 2.0]))
    assert list(designed.problems) == [1]
    assert "reaches no pose" in designed.problems[1]
    assert np.isnan(designed.lengths_mm[1]).all()
    assert np.isfinite(designed.lengths_mm[[0, 2]]).all()
    with pytest.raises(JawModelError, match="pose 2 of 3: the jaw reaches no pose") as error:
        require_solved(designed.problems, 3)
    assert error.value.value == (1,)


def test_a_singular_pose_is_an_error():
    # Rods square to the midline plane do not hold the jaw forward at all.
    side = {"upper": (-20.0, 24.0, 5.0), "lower": (-20.0, 40.0, 5.0)}
    mirror = {"upper": (-20.0, -24.0, 5.0), "lower": (-20.0, -40.0, 5.0)}
    flat = hinged(condylar_inclination_deg=(0.0, 0.0), pads_left=(-30.0, 22.0, 5.0))
    jaw = hinged_jaw(anchored(flat, left=Anchors(**side), right=Anchors(**mirror)), 0.0)
    made = jaw.read_back(np.array([[16.0, 16.0], [15.9, 15.9]]))
    assert set(made.problems) == {0, 1}
    assert "singular" in made.problems[0]


def test_singular_members_do_not_spoil_a_linear_batch():
    matrices = np.stack([np.eye(6), np.zeros((6, 6)), 2 * np.eye(6), np.full((6, 6), np.nan)])
    answer = linear_solve(matrices, np.ones((4, 6, 1)))[:, 0, 0]
    assert answer[[0, 2]].tolist() == [1.0, 0.5]
    assert np.isnan(answer[[1, 3]]).all()


def test_pairs_of_rods_that_no_pose_holds():
    jaw = hinged_jaw(anchored(hinged()), 0.0)
    made = jaw.read_back(np.array([[31.0, 31.0], [5.0, 60.0]]))
    assert list(made.problems) == [1]
    assert np.isnan(made.displacement_mm).tolist() == [False, True]


def test_opening_pulls_the_jaw_and_only_the_hinged_model_knows():
    prescription = anchored(hinged())
    pair = np.array([[31.0, 31.0], [30.0, 30.0]])
    found, nowhere = advancement_at_opening(prescription, pair, np.array([0.0, 4.0, 8.0]))
    assert not nowhere
    assert found.shape == (2, 3)
    # A pull rod hangs from a seat in front: the wider the mouth, the further it draws the jaw.
    assert (np.diff(found, axis=1) > 0).all()
    closed = hinged_jaw(prescription, 0.0).read_back(pair)
    for row, pose in enumerate(closed.poses):
        same, _ = advancement_at_opening(prescription, pair[row:row + 1], np.array([-pose[2]]))
        assert same[0, 0] == pytest.approx(7.0 + pose[0], abs=1e-9)
    with pytest.raises(RefusedError, match='straight jaw model cannot show how the mouth opens'):
        advancement_at_opening(plain(), pair, np.array([1.0]))
    found, nowhere = advancement_at_opening(prescription, pair[:1], np.array([60.0, 4.0]))
    assert np.isnan(found[0]).tolist() == [True, False]
    assert list(nowhere) == [(0, 0)]


def test_bonwill_condyles():
    # Height of the triangle a = side·√3/2: 87.9882 mm for 101.6 (recomputed).
    left, right = bonwill_condyles((1.0, 2.0, 3.0))
    assert (left[1], right[1]) == (52.8, pytest.approx(-48.8))
    assert left[::2] == right[::2]
    assert math.hypot(left[0] - 1, left[2] - 3) == pytest.approx(87.9882, abs=0.5e-4)
    assert math.degrees(math.atan2(left[2] - 3, 1 - left[0])) == pytest.approx(22.0, abs=1e-9)
    assert math.dist(left, (1, 2, 3)) == pytest.approx(101.6, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(-4, 4))
def test_mirrored_jaws_have_mirrored_answers(seed, d):
    prescription = a_hinged(seed)

    def mirrored(point):
        return (point[0], -point[1], point[2])

    jaw, left, right = prescription.jaw, prescription.left, prescription.right
    other = replace(
        prescription,
        left=Anchors(upper=mirrored(right.upper), lower=mirrored(right.lower)),
        right=Anchors(upper=mirrored(left.upper), lower=mirrored(left.lower)),
        jaw=replace(
            jaw, incisal=mirrored(jaw.incisal), condyle_left=mirrored(jaw.condyle_right),
            condyle_right=mirrored(jaw.condyle_left), pads_left=mirrored(jaw.pads_right),
            pads_right=mirrored(jaw.pads_left),
            condylar_inclination_deg=jaw.condylar_inclination_deg[::-1],
        ),
    )
    ours = hinged_jaw(prescription, 0.2).design(np.array([d]))
    theirs = hinged_jaw(other, -0.2).design(np.array([d]))
    assert theirs.lengths_mm[0] == pytest.approx(ours.lengths_mm[0, ::-1], abs=1e-9)
    assert theirs.poses[0] == pytest.approx(ours.poses[0] * [1, -1, 1, -1, 1, -1], abs=1e-9)


@pytest.mark.parametrize("name", ["sliding", "hinged"])
def test_models_say_what_they_lack(name):
    jaw = sliding() if name == "sliding" else hinged()
    with pytest.raises(ValueError, match="both anchor points on both sides"):
        jaw_model(plain(jaw=jaw), 0.0)
    with pytest.raises(ValueError, match="needs a length on both sides"):
        jaw_model(plain(left=Anchors()), 0.0)


def test_a_large_batch_takes_a_moment():
    jaw = hinged_jaw(anchored(hinged()), 0.1)
    asked = np.random.default_rng(3).uniform(-6, 6, 20_000)
    begin = time.process_time()
    designed = jaw.design(asked)
    made = jaw.read_back(designed.lengths_mm)
    # Measured: 100,000 poses designed and read back in 2 to 3 s of one core; room for a busy one.
    assert time.process_time() - begin < 5
    assert not made.problems
    assert made.displacement_mm == pytest.approx(asked, abs=1e-9)


def test_average_pads_lie_on_the_occlusal_plane_alike_on_both_sides():
    """As the design states them: x = −30 mm, y = ± 22 mm, on the plane itself."""
    assert (PADS_LEFT, PADS_RIGHT) == ((-30.0, 22.0, 0.0), (-30.0, -22.0, 0.0))
