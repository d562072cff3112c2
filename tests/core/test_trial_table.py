"""Observation → answer at a trial fit, every combination, against SciPy's own solution."""

from __future__ import annotations

from itertools import product

import pytest

from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_rules import answer
from labkit.core.case.trial_seen import Seen, TrialSeen
from labkit.core.case.trial_words import read_seen
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Action, JawModelName, Side
from tests.support import independent
from tests.support.patients import WIDE_LIMITS
from tests.support.recorded import read, unequal
from tests.support.trials import as_made

LISTED = {"with a 100 % rod": "[70, 85, 100]", "without": "[70, 80, 90]"}
SEEN = tuple(product(Seen, Seen))


def rods_and_seats(prescription, part):
    """The rods out, and where the seats are at a part of the recorded range, by SciPy."""
    steps = grade(prescription, WIDE_LIMITS).steps
    rods = [
        RodOut(f"1/{number}", side, step.rod(side).label)
        for number, step in enumerate(steps, 1) for side in Side
    ]
    scale = bite_scale(prescription.bite)
    true = part * float(scale.range_mm) - float(scale.registered_advancement_mm)
    seats = dict(zip(Side, independent.exact_lengths(prescription, true), strict=True))
    for side in Side:  # and one a side that meets, to a micrometre
        rods.append(RodOut("2/1", side, f"{seats[side]:.3f}"))
    return tuple(rods), seats, true


def typed(rods, side, seat, seen):
    """What a clinician types who sees the nearest rod that is too long, too short, or meets."""
    here = [rod for rod in rods if rod.side is side and rod.pair.startswith("1/")]
    if seen is Seen.MEETS:
        return f"{seat:.3f} meets"
    beyond = (lambda by: by > 0) if seen is Seen.TOO_LONG else (lambda by: by < 0)
    offs = {rod.label: round(float(rod.length) - seat, 3) for rod in here}
    label = min((name for name in offs if beyond(offs[name])), key=lambda name: abs(offs[name]))
    return f"{label}{side[0].upper()} {seen.words} by {abs(offs[label]):.3f}"


@pytest.mark.parametrize("listed", LISTED)
@pytest.mark.parametrize(("model", "action"), [(m, a) for m in JawModelName for a in Action])
def test_observation_and_answer(model, action, listed):
    text = unequal("QF-1043", str(model), str(action)).replace(
        "[40, 60, 80, 100]", LISTED[listed]
    ).replace("start = 60", "start = 70")
    prescription = read(text)
    recorded = float(bite_scale(prescription.bite).range_mm)
    registered = float(bite_scale(prescription.bite).registered_advancement_mm)
    rods, seats, true = rods_and_seats(prescription, 0.87)
    for left, right in SEEN:
        told = TrialSeen(*(
            read_seen(side, typed(rods, side, seats[side], seen))
            for side, seen in zip(Side, (left, right), strict=True)
        ))
        outcome = trial_fit(
            prescription, as_made(rods, prescription, WIDE_LIMITS), told, WIDE_LIMITS
        )
        assert outcome.refused == (), (left, right)
        proposal = outcome.proposal
        # SciPy reads the very distances that were told; they are the true ones to a micrometre.
        again = independent.made(prescription, true, told.seats_mm)["advancement_mm"]
        assert proposal.range_mm == pytest.approx(again, abs=1e-7)
        assert proposal.range_mm == pytest.approx(true + registered, abs=0.02)
        assert answer(proposal, action).startswith("The jaw went ")
        assert "mm less far than recorded" in answer(proposal, action)
        # Every pair keeps its advancement, and its percent is that part of the true range.
        for pair in proposal.pairs:
            lengths = [float(getattr(pair.standing, side)) for side in Side]
            held = independent.made(prescription, true, lengths)["advancement_mm"]
            assert pair.percent == pytest.approx(100 * held / proposal.range_mm, abs=1e-4)
            assert pair.percent_before == pytest.approx(100 * held / recorded, abs=1e-4)


@pytest.mark.common_practice
@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("model", list(JawModelName))
def test_too_long_is_further_for_pull_and_less_far_for_push(model, action):
    prescription = read(unequal("QF-1043", str(model), str(action)))
    rods, _, _ = rods_and_seats(prescription, 1.0)
    labels = {rod.side: rod.label for rod in rods if rod.pair == "1/4"}
    for words, further in (("too long", True), ("too short", False)):
        told = TrialSeen(*(read_seen(side, f"{labels[side]} {words} by 0.6") for side in Side))
        proposal = trial_fit(
            prescription, as_made(rods, prescription, WIDE_LIMITS), told, WIDE_LIMITS
        ).proposal
        grows = further is (action is Action.PULL)
        assert (proposal.range_mm > proposal.range_before_mm) is grows
        said = "further than recorded" if grows else "less far than recorded"
        assert said in answer(proposal, action)
