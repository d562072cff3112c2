"""Trial fit: from what was met at the patient's true maximum to a proposal of a new range."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from labkit.core.bite import (
    MOST_MIDLINE_DEVIATION_MM,
    MOST_READING_MM,
    BiteScale,
    bite_scale,
    check_bite,
)
from labkit.core.cover import StepCover, cover_step, with_tolerance
from labkit.core.findings import Finding, note, refusals, refused
from labkit.core.grading import check_recorded, grade
from labkit.core.grading_rules import tells_position
from labkit.core.jaw.build import jaw_model
from labkit.core.jaw.model import JawModel
from labkit.core.jaw.path import read_back_near_path, side_mismatch
from labkit.core.numbers import require_finite
from labkit.core.prescription import Bite, Prescription, Side
from labkit.core.rods_out import PairOut, RodOut, pairs_out
from labkit.core.steps import LengthLimits, Step
from labkit.core.trial_seen import TrialSeen, seats_apart, step_at_100
from labkit.units import NOISE_DECIMALS, millimetres, plain

#: A trial fit corrects a bite; a range that changes by a larger part than this means that the
#: bite, the anchors or the trial itself went wrong, and the bite is to be recorded again.
MOST_RANGE_CHANGE = 0.4
#: Left and right may disagree by this much advancement: a whole step of an effective appliance
#: (AADSM consensus, doi 10.15331/jdsm.3738), and several times what rounding to the grid makes.
MOST_SIDE_MISMATCH_MM = 1.0


@dataclass(frozen=True)
class PairNow:
    """A pair of rods out, with what it means after the trial fit.

    Args:
        rods: The pair; its advancement is what it was, its percent is the new one.
        percent_before: Percent of the range as recorded.
        above_100: Whether a rod reaches past the 100 % rod by more than its length tolerance, so
            that it must not be worn as 100 %.
    """

    rods: PairOut
    percent_before: float
    above_100: bool

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class TrialProposal:
    """What would follow from a trial fit; nothing changes until the prescriber accepts it.

    Args:
        seats_mm: Distance of the seats at the true maximum, left and right.
        advancement_mm: True maximum, from zero, as read back.
        side_mismatch_mm: Advancement by the left seats minus by the right ones.
        range_before_mm, range_mm: Protrusive range as recorded and as proposed.
        bite: Bite readings as proposed; the jaw's path is that of the record.
        labels_at_100: Labels of the true 100 % rods, left and right.
        confirmed: Whether these are the 100 % rods of the record: the range stands as it is.
        pairs: Rods out, by rising advancement.
        prescribed: Steps of the grading on the new range, with the rods out that serve them.
        set_findings: What grading says of the prescription with the new range.
    """

    seats_mm: tuple[float, float]
    advancement_mm: float
    side_mismatch_mm: float
    range_before_mm: float
    range_mm: float
    bite: Bite
    labels_at_100: tuple[str, str]
    confirmed: bool
    pairs: tuple[PairNow, ...]
    prescribed: tuple[StepCover, ...]
    set_findings: tuple[Finding, ...]

    def __post_init__(self) -> None:
        require_finite(self)


@dataclass(frozen=True)
class TrialOutcome:
    """A proposal, or why there is none.

    Args:
        proposal: None where a rule of the trade refuses the trial.
        findings: Refusals and notes.
    """

    proposal: TrialProposal | None
    findings: tuple[Finding, ...]

    @property
    def refused(self) -> tuple[Finding, ...]:
        """The findings that stop the trial fit; empty where there is a proposal."""
        return refusals(self.findings)


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
        prescription: The case's prescription as recorded.
        rods: Rods out.
        seen: What was met with the patient as far forward as they can go.
        limits: Limits of the rod template.

    Returns:
        The proposal; where a rule of the trade does not allow it, refusals instead.

    Validity: any prescription; the proposed readings are exact to 1e-9 mm.

    Raises:
        InputError: Two rods of one pair and side.

    Source: DESIGN, sections 4 and 5 (reading back).
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
    found += [*_sides_disagree(seats, mismatch), *_implausible(case, bite)]
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


def _sides_disagree(seats: tuple[float, float], mismatch_mm: float) -> Iterator[Finding]:
    if abs(mismatch_mm) <= MOST_SIDE_MISMATCH_MM:
        return
    left, right = (millimetres(distance) for distance in seats)
    ahead = "the left side cannot be read along the recorded path by itself" if np.isnan(
        mismatch_mm
    ) else f"the left side stands {mismatch_mm:+.2f} mm ahead of the right one"
    yield refused(
        "sides_disagree",
        f"with seats {left} mm apart on the left and {right} mm on the right, {ahead}; at most "
        f"{plain(MOST_SIDE_MISMATCH_MM)} mm is a trial fit that can be read, so check whether "
        "the sides were exchanged, and tell each side's rod by itself",
        "trial",
    )


def _implausible(case: _Case, bite: Bite) -> tuple[Finding, ...]:
    found = (*_behind(case, bite), *_far_away(case, bite))
    return found or check_bite(bite)


def _behind(case: _Case, bite: Bite) -> Iterator[Finding]:
    recorded = case.prescription.bite
    for name, reading in (("registered", bite.registered), ("zero", case.scale.zero)):
        too_low = bite.protruded < reading or (name == "zero" and bite.protruded == reading)
        if too_low:
            yield refused(
                f"maximum_behind_{name}",
                f"the true maximum would lie at {millimetres(float(bite.protruded))} on the "
                f"gauge, behind the {name} reading ({plain(reading)}), where the jaw has been; "
                f"{plain(recorded.protruded)} was recorded as protruded, so check which rods met "
                "and the sign of a gap, or record the bite again",
                f"bite.{name}",
            )


def _far_away(case: _Case, bite: Bite) -> Iterator[Finding]:
    before, after = case.scale.range_mm, bite.protruded - case.scale.zero
    change = float(after / before - 1)
    if after > 0 and abs(change) > MOST_RANGE_CHANGE:
        yield refused(
            "range_change_implausible",
            f"the range would go from {plain(before)} to {millimetres(float(after))} mm, a change "
            f"of {100 * change:+.0f} %; a trial fit may change it by at most "
            f"{100 * MOST_RANGE_CHANGE:.0f} %, so record the bite again",
            "bite.protruded",
        )
    for name, value, most in (
        ("protruded", bite.protruded, MOST_READING_MM),
        ("midline_deviation", bite.midline_deviation_mm, MOST_MIDLINE_DEVIATION_MM),
    ):
        if abs(value) > most:
            yield refused(
                "beyond_the_gauge",
                f"{name} would become {millimetres(float(value))} mm, which lies beyond "
                f"±{plain(most)} mm; record the bite again",
                f"bite.{name}",
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
    labels = _labels(at_100)
    proposal = TrialProposal(
        seats_mm=seats, advancement_mm=measured[0], side_mismatch_mm=measured[1],
        range_before_mm=float(case.scale.range_mm), range_mm=float(scale.range_mm), bite=bite,
        labels_at_100=labels, confirmed=before is not None and _labels(before) == labels,
        pairs=tuple(_pair_now(pair, at_100, case) for pair in pairs),
        prescribed=tuple(cover_step(step, rods) for step in graded.steps),
        set_findings=graded.findings,
    )
    return TrialOutcome(proposal, (*found, *_notes(proposal)))


def _labels(step: Step) -> tuple[str, str]:
    return (step.left.label, step.right.label)


def _pair_now(pair: PairOut, at_100: Step, case: _Case) -> PairNow:
    past = False
    for side in Side:
        limit, label = at_100.rod(side), pair.label(side)
        if label:
            reach = case.prescription.action.sigma * (limit.length - Decimal(label))
            past = past or reach > limit.tolerance_mm
    before = 100.0 * pair.made.advancement_mm / float(case.scale.range_mm)
    return PairNow(pair, before, past)


def _notes(proposal: TrialProposal) -> Iterator[Finding]:
    before, after = proposal.range_before_mm, proposal.range_mm
    left, right = proposal.labels_at_100
    if proposal.confirmed:
        yield note(
            "range_confirmed",
            f"the true 100 % rods are those of the record, {left} left and {right} right; the "
            f"range read back, {millimetres(after)} mm, agrees with the recorded "
            f"{millimetres(before)} mm, so no new revision is needed",
            "trial",
        )
    else:
        where = "in front of" if after > before else "behind"
        yield note(
            "bite_not_at_100",
            f"the true maximum lies {millimetres(abs(after - before))} mm {where} the recorded "
            f"one: the range is {millimetres(after)} mm instead of {millimetres(before)} mm, and "
            f"the true 100 % rods are {left} left and {right} right",
            "bite.protruded",
        )
    above = [pair for pair in proposal.pairs if pair.above_100]
    if above:
        named = ", ".join(
            f"{pair.rods.name} ({pair.rods.made.percent:.1f} %)" for pair in above
        )
        yield note(
            "rods_above_100",
            f"these rods are now above 100 % and must not be worn: {named}; take them back, their "
            "labels stay true",
            ", ".join(pair.rods.pair for pair in above),
        )
