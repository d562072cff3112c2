"""Trial fit: from what was met at the patient's true maximum to a proposal of a new range."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from labkit.core.case.cover import cover_step, with_tolerance
from labkit.core.case.rods_out import PairOut, RodOut, pairs_out, reaches_past
from labkit.core.case.trial_rules import implausible, sides_disagree, trial_notes
from labkit.core.case.trial_seen import TrialSeen, seats_apart, step_at_100
from labkit.core.case.trial_values import PairNow, TrialOutcome, TrialProposal
from labkit.core.findings import Finding, refusals, refused
from labkit.core.grading.bite import BiteScale, bite_scale
from labkit.core.grading.grade import check_recorded, grade
from labkit.core.grading.prescription import Bite, Prescription, Side
from labkit.core.grading.rules import tells_position
from labkit.core.grading.steps import LengthLimits, Step
from labkit.core.jaw.build import jaw_model
from labkit.core.jaw.model import JawModel
from labkit.core.jaw.path import read_back_near_path, side_mismatch
from labkit.units import NOISE_DECIMALS, millimetres, plain


@dataclass(frozen=True)
class _Case:
    prescription: Prescription
    scale: BiteScale
    model: JawModel
    rods: tuple[RodOut, ...]
    limits: LengthLimits


def trial_fit(
    prescription: Prescription, rods: tuple[RodOut, ...], seen: TrialSeen, limits: LengthLimits
) -> TrialOutcome:
    """Read the jaw model backwards, from what was met to the true maximum, and propose a range.

    Formula: D → advancement a, by reading back; protruded' = zero reading + a; midline deviation'
    = midline deviation · (protruded' − retruded) / (protruded − retruded), so that the path stays
    as recorded; percent' of a pair = 100 · its advancement / a.

    Args:
        seen: What was met with the patient as far forward as they can go.

    Returns:
        The proposal; where a rule of the trade does not allow it, refusals instead.

    Validity: any prescription; the proposed readings are exact to 1e-9 mm.

    Raises:
        InputError: Two rods of one pair and side.

    Source: DEVELOPERS.md, "The design" (bite scale, reading back).
    """
    found = list(check_recorded(prescription))
    if found:
        return TrialOutcome(None, tuple(found))
    scale = bite_scale(prescription.bite)
    case = _Case(
        prescription, scale, jaw_model(prescription, scale.sideways_per_mm), rods, limits
    )
    seats, seat_findings = seats_apart(seen, rods, prescription, scale, limits)
    found += seat_findings
    if seats is None:
        return TrialOutcome(None, tuple(found))
    read = read_back_near_path(case.model, np.array([seats]))
    if read.problems:
        return TrialOutcome(None, (*found, _unreached(seats, read.problems[0])))
    maximum = float(read.displacement_mm[0]) + float(scale.registered_advancement_mm)
    mismatch = float(side_mismatch(case.model, np.array([seats]))[0])
    bite = _bite_at(case, maximum)
    found += [*sides_disagree(seats, mismatch), *implausible(prescription.bite, bite)]
    if refusals(found):
        return TrialOutcome(None, tuple(found))
    return _proposed(case, seats, (maximum, mismatch), bite, found)


def _bite_at(case: _Case, maximum_mm: float) -> Bite:
    """Give the readings with another protruded one, on the same path."""
    bite = case.prescription.bite
    protruded = _clean(case.scale.zero + Decimal(repr(maximum_mm)))
    if not bite.midline_deviation_mm or bite.retruded is None:
        return replace(bite, protruded=protruded)
    longer = (protruded - bite.retruded) / (bite.protruded - bite.retruded)
    deviation = _clean(bite.midline_deviation_mm * longer)
    return replace(bite, protruded=protruded, midline_deviation_mm=deviation)


def _clean(value: Decimal) -> Decimal:
    """Drop the noise of binary numbers and the zeros at the end."""
    return Decimal(plain(value.quantize(Decimal(1).scaleb(-NOISE_DECIMALS))))


def _unreached(seats: tuple[float, float], reason: str) -> Finding:
    left, right = (millimetres(distance, 3) for distance in seats)
    return refused(
        "jaw_pose",
        f"seats {left} mm apart on the left and {right} mm on the right cannot be read back: "
        f"{reason}",
        "trial",
    )


def _proposed(
    case: _Case, seats: tuple[float, float], measured: tuple[float, float], bite: Bite,
    found: list[Finding],
) -> TrialOutcome:
    renewed = replace(case.prescription, bite=bite)
    scale = bite_scale(bite)
    at_100, problems = step_at_100(scale, renewed, case.limits)
    pairs, unread = pairs_out(case.rods, jaw_model(renewed, scale.sideways_per_mm), scale)
    found += [*problems, *unread]
    if at_100 is not None:
        for side in Side:
            found += tells_position((at_100,), side, renewed.action)
    if at_100 is None or refusals(found):
        return TrialOutcome(None, tuple(found))
    before, _ = step_at_100(case.scale, case.prescription, case.limits)
    graded = grade(renewed, case.limits)
    rods = with_tolerance(case.rods, renewed.grading, case.limits)
    proposal = TrialProposal(
        seats_mm=seats, advancement_mm=measured[0], side_mismatch_mm=measured[1],
        range_before_mm=float(case.scale.range_mm), range_mm=float(scale.range_mm), bite=bite,
        labels_at_100=(at_100.left.label, at_100.right.label),
        confirmed=before is not None and _serves(before, at_100),
        pairs=tuple(_pair_now(pair, at_100, case) for pair in pairs),
        prescribed=tuple(cover_step(step, rods) for step in graded.steps),
        set_findings=graded.findings,
    )
    return TrialOutcome(proposal, (*found, *trial_notes(proposal)))


def _serves(before: Step, at_100: Step) -> bool:
    """Whether the 100 % rods of the record are, within their tolerance, the true ones."""
    return all(
        abs(before.rod(side).length - at_100.rod(side).length) <= at_100.rod(side).tolerance_mm
        for side in Side
    )


def _pair_now(pair: PairOut, at_100: Step, case: _Case) -> PairNow:
    past = any(
        reaches_past(pair.label(side), at_100.rod(side), case.prescription.action)
        for side in Side if pair.label(side)
    )
    before = 100.0 * pair.made.advancement_mm / float(case.scale.range_mm)
    return PairNow(pair, before, past)
