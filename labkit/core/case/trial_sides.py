"""Left and right that disagree at a trial fit: by how much, what it means, and what can be done."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from labkit.core.case.rods_out import length_of
from labkit.core.case.trial_move import Moved, Observed, Seats, moved_by, read_seats
from labkit.core.case.trial_rules import implausible
from labkit.core.case.trial_seen import Correct, TrialSeen
from labkit.core.case.trial_values import Choice, Disagreement
from labkit.core.findings import Finding, refusals, refused
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import length_tolerance
from labkit.core.grading.prescription import JawModelName, Prescription, Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.jaw.build import anchor_distance, jaw_model, registered_length
from labkit.core.jaw.path import displacements_at
from labkit.units import millimetres

#: A deviation is read from what the jaw went: below this part of its span, said below as "half",
#: an error of reading more than doubles.
_LEAST_PART_OF_SPAN = 0.5
#: What a disagreement of the sides can mean, for each jaw model.
_MEANS = {
    JawModelName.STRAIGHT:
        "one side's distance of the seats was recorded wrongly, a splint or a rod does not sit in "
        "its place, or the jaw moved sideways, which the straight model does not know",
    JawModelName.SLIDING:
        "one side's anchors were recorded wrongly, a splint or a rod does not sit in its place, or "
        "the jaw shifted sideways or turned, which the sliding model takes as recorded",
    JawModelName.HINGED:
        "the jaw moved sideways more than the recorded midline deviation explains, one side's "
        "anchors were recorded wrongly, or a splint or a rod does not sit in its place",
}


def disagreement(
    prescription: Prescription, seen: TrialSeen, limits: LengthLimits
) -> Disagreement | None:
    """Work out how left and right disagree; None where the recorded path has no such lengths."""
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    seats = np.array(seen.seats_mm)
    where = displacements_at(model, np.array([seats.mean()]))
    if not np.isfinite(where[0]):
        return None
    left, right = seats - model.design(where).lengths_mm[0]
    if not np.isfinite(left - right):
        return None
    tolerance = min(
        length_tolerance(length_of(seen.side(side).label), prescription.grading, limits)
        for side in Side
    )
    return Disagreement(float(left - right), float(tolerance + seen.read_to_mm))


def sides_disagree(prescription: Prescription, found: Disagreement) -> Finding:
    """Say that left and right disagree, by how much and what it can mean."""
    longer, shorter = ("left", "right") if found.mm > 0 else ("right", "left")
    return refused(
        "sides_disagree",
        f"left and right disagree: against the recorded path the seats on the {longer} are "
        f"{millimetres(abs(found.mm))} mm further apart than on the {shorter}, more than the "
        f"{millimetres(found.allowed_mm)} mm of the rods' tolerance and of reading a gap; "
        f"{_MEANS[prescription.jaw.model]}; nothing is averaged and nothing can be accepted: look "
        "again with the pads touching, or name with --correct what was recorded wrongly",
        "trial",
    )


def choices(prescription: Prescription, seats: Seats) -> tuple[Choice, ...]:
    """Give what can be corrected, with the range that each correction gives, and what cannot."""
    return tuple(_choice(prescription, seats, correct) for correct in Correct)


def not_correctable(prescription: Prescription, seen: TrialSeen) -> Iterator[Finding]:
    """Refuse a correction that this prescription or this trial fit does not allow."""
    correct = seen.correct
    why = "" if correct is None else _why_not(prescription, seen.seats_mm, correct)
    if why:
        yield refused("correction_not_possible", f"--correct {correct}: {why}", "trial")


def nothing_to_correct(correct: Correct, found: Disagreement) -> Finding:
    """Refuse a correction where the sides agree."""
    return refused(
        "nothing_to_correct",
        f"--correct {correct}: left and right agree within {millimetres(found.allowed_mm)} mm, so "
        "nothing is to be corrected; leave it out",
        "trial",
    )


def _choice(prescription: Prescription, seats: Seats, correct: Correct) -> Choice:
    why = _why_not(prescription, seats, correct)
    if why:
        return Choice(correct, why, None)
    moved = moved_by(prescription, Observed(seats, correct))
    if not isinstance(moved, Moved):
        return Choice(correct, moved.message, None)
    wrong = refusals(implausible(prescription.bite, moved.holds.bite))
    if wrong:
        return Choice(correct, wrong[0].message, None)
    return Choice(correct, _recorded(prescription, moved.holds, correct), float(
        bite_scale(moved.holds.bite).range_mm
    ))


def _recorded(before: Prescription, after: Prescription, correct: Correct) -> str:
    if correct is Correct.MIDLINE:
        old, new = before.bite.midline_deviation_mm, after.bite.midline_deviation_mm
        return (
            f"take it as midline deviation, {millimetres(float(new))} mm instead of "
            f"{millimetres(float(old))} mm"
        )
    side = Side(correct.value)
    old_mm, new_mm = (registered_length(one.anchors(side)) or 0.0 for one in (before, after))
    return (
        f"the {side} distance at the registered bite was {millimetres(new_mm)} mm, not "
        f"{millimetres(old_mm)} mm"
    )


def _why_not(prescription: Prescription, seats: Seats, correct: Correct) -> str:
    """Say why a correction is not offered; empty where it is."""
    model = prescription.jaw.model
    if correct is Correct.MIDLINE:
        return _no_midline(prescription, seats)
    if model is not JawModelName.STRAIGHT:
        return (
            f"one side's distance is corrected with the straight model alone; with the {model} "
            "model record that side's anchors again"
        )
    if anchor_distance(prescription.anchors(Side(correct.value))) is not None:
        return f"the {correct} distance follows from the anchors recorded; record those again"
    return ""


def _no_midline(prescription: Prescription, seats: Seats) -> str:
    bite = prescription.bite
    if prescription.jaw.model is not JawModelName.HINGED:
        return (
            "a midline deviation is read from the two sides with the hinged model alone; look again"
        )
    if bite.retruded is None:
        return (
            "a midline deviation is counted from the retruded reading, which was not recorded; "
            "record it, or look again"
        )
    read = read_seats(prescription, seats)
    if read.problems:
        return f"the seats cannot be read back: {read.problems[0]}"
    went = float(read.displacement_mm[0])
    span = float(bite.registered - bite.retruded) + went
    if went < _LEAST_PART_OF_SPAN * span:
        return (
            f"the jaw went {millimetres(went)} mm from the registered bite, less than "
            f"half of its span of {millimetres(span)} mm, too little to "
            "show a midline deviation; look again"
        )
    return ""
