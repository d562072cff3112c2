"""A chosen true maximum, the gap it shows by a second solver, and the maximum read back."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, JawModelName, Prescription, Side
from tests.support import independent
from tests.support.patients import WIDE_LIMITS, percents, random_prescription
from tests.support.trials import as_made, trial_seen

CASES = [(model, action) for model in JawModelName for action in Action]
#: For each action, with and without a 100 % rod.
PATIENTS = {JawModelName.STRAIGHT: 60, JawModelName.SLIDING: 60, JawModelName.HINGED: 12}
#: No range further off than this is taken for the recorded one, mm.
MOST_UNSEEN_MM = 0.5
#: The slow ones are 2400 patients together.
TIMES = [1, pytest.param(5, marks=pytest.mark.slow)]


def rods_out(steps):
    return tuple(
        RodOut(f"1/{number}", side, step.rod(side).label)
        for number, step in enumerate(steps, 1) for side in Side
    )


def a_true_maximum(rng, prescription: Prescription) -> float:
    """From 62 % to 138 % of the recorded range, in front of the bite and of the readings behind."""
    scale = bite_scale(prescription.bite)
    span, bite = float(scale.range_mm), prescription.bite
    behind = max(float(bite.registered), float(bite.habitual)) - float(scale.zero)
    return float(rng.uniform(max(0.62 * span, behind + 0.01), 1.38 * span))


def distances_at(prescription: Prescription, advancement: float):
    _, _, registered = independent.numbers(prescription)
    return independent.exact_lengths(prescription, advancement - registered)


def proposal_of(prescription, rods, seen):
    outcome = trial_fit(
        prescription, as_made(rods, prescription, WIDE_LIMITS), seen, WIDE_LIMITS
    )
    return outcome.proposal, {finding.code for finding in outcome.refused}


def held_range(proposal, prescription, maximum):
    """Give the range that holds: as recorded where the trial fit confirms it, else as read back."""
    recorded = float(bite_scale(prescription.bite).range_mm)
    if not proposal.confirmed:
        return maximum
    # Within what rods of 100 % can show: their tolerance, which a steep jaw makes more of.
    assert maximum == pytest.approx(recorded, abs=MOST_UNSEEN_MM)
    return recorded


@pytest.mark.parametrize("times", TIMES)
@pytest.mark.parametrize("listed", [(40, 70, 100), (40, 70)], ids=["with 100 %", "without 100 %"])
@pytest.mark.parametrize(("model", "action"), CASES)
def test_a_gap_tells_the_true_maximum(model, action, listed, times):
    rng = np.random.default_rng([20310415, CASES.index((model, action)), len(listed)])
    told, worst = 0, 0.0
    for _ in range(times * PATIENTS[model]):
        prescription = replace(
            random_prescription(rng, model, action), grading=percents(*listed)
        )
        graded = grade(prescription, WIDE_LIMITS)
        if any(finding.code in ("jaw_pose", "rod_stands_upright") for finding in graded.refused):
            continue
        furthest = graded.steps[-1]
        maximum = a_true_maximum(rng, prescription)
        try:
            seats = distances_at(prescription, maximum)
        except independent.NoSolutionError:
            continue
        seen = trial_seen(
            [furthest.rod(side).label for side in Side],
            [float(furthest.rod(side).length) - seat
             for side, seat in zip(Side, seats, strict=True)],
        )
        proposal, codes = proposal_of(prescription, rods_out(graded.steps), seen)
        if proposal is None:
            # Next to a singular pose the rounded 100 % rods hold no pose: nothing to propose.
            assert codes in ({"rod_stands_upright"}, {"jaw_pose"})
            continue
        told += 1
        worst = max(worst, abs(proposal.advancement_mm - maximum))
        assert proposal.advancement_mm == pytest.approx(maximum, abs=1e-8)
        holds = held_range(proposal, prescription, maximum)
        assert proposal.range_mm == pytest.approx(holds, abs=1e-8)
        # Every pair keeps its advancement; its percent is that part of the range that holds.
        made = {f"1/{n}": step.made for n, step in enumerate(graded.steps, 1)}
        for pair in proposal.pairs:
            before, now = made[pair.pair], pair.standing
            assert now.advancement_mm == pytest.approx(before.advancement_mm, abs=1e-7)
            assert now.percent == pytest.approx(100 * before.advancement_mm / holds, abs=1e-5)
            assert pair.percent_before == pytest.approx(before.percent, abs=1e-5)
        # The path stays where it was: the same sideways shift for each mm forward.
        slope = bite_scale(prescription.bite).sideways_per_mm
        assert bite_scale(proposal.holds.bite).sideways_per_mm == pytest.approx(slope, abs=1e-9)
    assert told >= 0.9 * times * PATIENTS[model]
    assert worst < 1e-6


@pytest.mark.parametrize(("model", "action"), CASES)
def test_labels_met_are_100_percent_afterwards(model, action):
    rng = np.random.default_rng([20310416, CASES.index((model, action))])
    told = 0
    for _ in range(max(20, PATIENTS[model])):
        prescription = replace(
            random_prescription(rng, model, action), grading=percents(75, 85, 100)
        )
        graded = grade(prescription, WIDE_LIMITS)
        scale = bite_scale(prescription.bite)
        met = graded.steps[1] if len(graded.steps) == 3 else None
        if met is None or graded.refused:
            continue
        if met.made.advancement_mm < float(scale.registered_advancement_mm) + 0.1:
            continue
        seen = trial_seen((met.left.label, met.right.label))
        proposal, codes = proposal_of(prescription, rods_out(graded.steps), seen)
        assert codes in (set(), {"readings_out_of_order"})
        if proposal is None:
            continue
        told += 1
        percent = {pair.pair: pair.percent for pair in proposal.pairs}
        assert percent["1/2"] == pytest.approx(100, abs=1e-7)
        assert percent["1/1"] < 100 < percent["1/3"]
        assert [pair.not_to_be_worn for pair in proposal.pairs] == [False, False, True]
        # A hinged jaw on rounded rods stands a little beside the recorded path, on which the
        # rods of 100 % are graded: a side may come out one grid step off.
        off = [
            abs(Decimal(label) - met.rod(side).length)
            for side, label in zip(Side, proposal.labels_at_100, strict=True)
        ]
        assert max(off) <= (Decimal("0.1") if model is JawModelName.HINGED else 0)
        assert proposal.prescribed[-1].pair == "1/2"
    assert told >= 10
