"""Trial fit: from what was seen at the patient's true maximum to a proposal of a new range."""

from __future__ import annotations

from labkit.core.case.cover import TolerancedRod, cover_step
from labkit.core.case.standing import PairStanding, pairs_standing
from labkit.core.case.trial_move import Moved, Observed, confirms, moved_by
from labkit.core.case.trial_rules import implausible, trial_notes
from labkit.core.case.trial_seen import TrialSeen, cannot_have_been_seen, step_at_100
from labkit.core.case.trial_sides import (
    choices,
    disagreement,
    not_correctable,
    nothing_to_correct,
    sides_disagree,
)
from labkit.core.case.trial_values import Disagreement, PairNow, TrialOutcome, TrialProposal
from labkit.core.findings import Finding, refusals
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import check_recorded, grade
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.rules import tells_position
from labkit.core.grading.steps import LengthLimits


def trial_fit(
    prescription: Prescription, rods: tuple[TolerancedRod, ...], seen: TrialSeen,
    limits: LengthLimits,
) -> TrialOutcome:
    """Read the jaw model backwards, from what was seen to the true maximum, and propose a range.

    Formula: D = L_rod − too long + too short, left and right; D → advancement a, by reading back;
    protruded' = zero reading + a; percent' of a pair = 100 · its advancement / a. Sides that
    disagree are never averaged: without a correction named there is no proposal.

    Args:
        seen: What was seen with the patient as far forward as they can go.

    Returns:
        The proposal; where a rule of the trade does not allow it, refusals instead.

    Validity: any prescription; the proposed readings are exact to 1e-9 mm.

    Raises:
        InputError: Two rods of one pair and side.

    Source: DEVELOPERS.md, "The trial fit".
    """
    found = check_recorded(prescription) or tuple(
        cannot_have_been_seen(seen, tuple(rod.rod for rod in rods))
    )
    if found:
        return TrialOutcome(None, found)
    apart = disagreement(prescription, seen, limits)
    found = (*_sides(prescription, seen, apart), *not_correctable(prescription, seen))
    if found:
        is_open = apart is not None and apart.open
        offered = choices(prescription, seen.seats_mm) if is_open else ()
        return TrialOutcome(None, found, apart, offered)
    moved = moved_by(prescription, Observed(seen.seats_mm, seen.correct))
    if isinstance(moved, Finding):
        return TrialOutcome(None, (moved,), apart)
    found = implausible(prescription.bite, moved.holds.bite)
    if found:
        return TrialOutcome(None, found, apart)
    proposal, found = _proposed((prescription, moved), rods, seen, limits)
    if proposal is None:
        return TrialOutcome(None, found, apart)
    return TrialOutcome(proposal, (*found, *trial_notes(proposal)), apart)


def _sides(
    prescription: Prescription, seen: TrialSeen, apart: Disagreement | None
) -> tuple[Finding, ...]:
    """Refuse an open disagreement without a correction, and a correction without one."""
    if apart is None:
        return ()
    if apart.open and seen.correct is None:
        return (sides_disagree(prescription, apart),)
    if not apart.open and seen.correct is not None:
        return (nothing_to_correct(seen.correct, apart),)
    return ()


def _proposed(
    way: tuple[Prescription, Moved], rods: tuple[TolerancedRod, ...], seen: TrialSeen,
    limits: LengthLimits,
) -> tuple[TrialProposal | None, tuple[Finding, ...]]:
    before, moved = way
    confirmed = seen.correct is None and confirms(before, moved.holds, limits)
    holds = before if confirmed else moved.holds
    scale = bite_scale(holds.bite)
    at_100, problems = step_at_100(scale, holds, limits)
    found = list(problems)
    if at_100 is not None:
        for side in Side:
            found += tells_position((at_100,), side, holds.action)
    if at_100 is None or refusals(found):
        return None, tuple(found)
    graded = grade(holds, limits)
    proposal = TrialProposal(
        seats_mm=seen.seats_mm, advancement_mm=moved.advancement_mm,
        range_before_mm=float(bite_scale(before.bite).range_mm), range_mm=float(scale.range_mm),
        holds=holds, labels_at_100=(at_100.left.label, at_100.right.label),
        confirmed=confirmed,
        pairs=pairs_now(rods, before, holds),
        prescribed=tuple(cover_step(step, rods) for step in graded.steps),
        set_findings=graded.findings,
    )
    return proposal, tuple(found)


def pairs_now(
    rods: tuple[TolerancedRod, ...], before: Prescription, now: Prescription
) -> tuple[PairNow, ...]:
    """Give what pairs make now and what they made before, by rising advancement."""
    was, is_now = pairs_standing(rods, before), pairs_standing(rods, now)
    return tuple(
        PairNow(standing, was[standing.pair].percent)
        for standing in sorted(is_now.values(), key=_by_advancement)
    )


def _by_advancement(standing: PairStanding) -> tuple[bool, float, str]:
    unread = standing.advancement_mm is None
    return unread, standing.advancement_mm or 0.0, standing.pair
