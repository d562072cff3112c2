"""Grading: from a prescription and a template's limits to the set of rod lengths."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale, bite_scale, check_bite, protrusive_range
from labkit.core.grading.hold import Slack, check_holds, holds
from labkit.core.grading.notes import set_notes
from labkit.core.grading.prescription import Grading, Prescription
from labkit.core.grading.rounding import Pair, Wanted, rounded_pairs
from labkit.core.grading.rules import check_grid, check_sides, check_steps
from labkit.core.grading.series import AskedStep, asked_steps
from labkit.core.grading.sides import ask_about_sides
from labkit.core.grading.steps import LengthLimits, Made, RodLength, SpacerSet, Step
from labkit.core.jaw.build import jaw_model
from labkit.core.jaw.model import Designed, JawModel, ReadBack
from labkit.core.jaw.rotation import Floats

__all__ = [
    "LengthLimits", "SpacerSet", "check_recorded", "compute_steps", "grade", "length_tolerance",
    "made_at", "set_of", "side_tolerance",
]


def grade(prescription: Prescription, limits: LengthLimits) -> SpacerSet:
    """Work out the rod lengths of a prescription, and where they really hold the jaw.

    Formula: percent → advancement → displacement → pose → exact length → length grid → pose →
    advancement as made.

    Returns:
        The set. What a rule of the trade does not allow is a refused finding of the set; steps
        that cannot be computed are missing from it.

    Validity: any prescription; nothing is raised for a rule of the trade.

    Source: DEVELOPERS.md, The design.
    """
    findings = list(check_recorded(prescription))
    if check_bite(prescription.bite):
        return set_of(prescription, (), findings)
    scale = bite_scale(prescription.bite)
    computable = not findings
    asked, series_findings = asked_steps(prescription.grading, scale)
    findings += series_findings
    steps: tuple[Step, ...] = ()
    if computable:
        steps, pose_findings = compute_steps(asked, scale, prescription, limits)
        findings += [
            *pose_findings, *check_steps(steps, prescription, limits),
            *ask_about_sides(steps, prescription), *check_holds(steps, prescription.grading),
        ]
    findings += set_notes(steps, prescription, limits)
    return set_of(prescription, steps, findings)


def check_recorded(prescription: Prescription) -> tuple[Finding, ...]:
    """Check what no length can be computed without: readings, length grid and both sides."""
    return (
        *check_bite(prescription.bite), *check_grid(prescription.grading),
        *check_sides(prescription),
    )


def set_of(
    prescription: Prescription, steps: tuple[Step, ...], findings: Iterable[Finding]
) -> SpacerSet:
    """Put steps and findings together with what the prescription says of them."""
    span = protrusive_range(prescription.bite)
    return SpacerSet(
        zero=prescription.bite.zero,
        range_mm=None if span is None else float(span),
        jaw_model=prescription.jaw.model,
        action=prescription.action,
        steps=steps,
        assumed=prescription.jaw.assumed,
        findings=tuple(findings),
    )


@dataclass(frozen=True, eq=False)
class _Batch:
    """All steps of one set, computed together."""

    designed: Designed
    lengths: tuple[Pair, ...]
    made: ReadBack


def compute_steps(
    asked: tuple[AskedStep, ...], scale: BiteScale, prescription: Prescription,
    limits: LengthLimits,
) -> tuple[tuple[Step, ...], tuple[Finding, ...]]:
    """Work out the rods of steps and where the jaw stands with them.

    Args:
        asked: Steps asked for, inside the range.
        prescription: A prescription that `check_recorded` does not refuse.

    Returns:
        The steps, in their order, and a refusal for each that cannot be computed.
    """
    if not asked:
        return (), ()
    model = jaw_model(prescription, scale.sideways_per_mm)
    wanted = Wanted.of(asked, scale, prescription.grading.grid_mm)
    designed = model.design(wanted.displacement_mm)
    lengths, unrounded = rounded_pairs(model, designed, wanted)
    batch = _Batch(designed, lengths, model.read_back(np.array(lengths, dtype=float), designed))
    steps: list[Step] = []
    findings = []
    for member, step in enumerate(asked):
        if member in designed.problems:
            findings.append(_unreached(step, "computed", designed.problems[member]))
        elif member in unrounded:
            findings.append(_unreached(step, "made", unrounded[member]))
        else:
            steps.append(_step(batch, member, step, scale, (prescription.grading, limits)))
    near = designed if len(steps) == len(asked) else None
    return _held(steps, model, prescription.grading, near), tuple(findings)


def _held(
    steps: list[Step], model: JawModel, grading: Grading, near: Designed | None
) -> tuple[Step, ...]:
    """Work out how far rods within tolerance let the jaw move.

    Args:
        near: Where the jaw was asked to stand; None where not every step could be made.
    """
    if not steps:
        return ()
    both = [(step.left, step.right) for step in steps]
    slack = Slack(
        made_mm=np.array([[float(rod.length) for rod in pair] for pair in both]),
        tolerance_mm=np.array([[float(rod.tolerance_mm) for rod in pair] for pair in both]),
        side_tolerance_mm=np.array([float(side_tolerance(step, grading)) for step in steps]),
    )
    if near is None:
        near = model.design(np.array([step.displacement_mm for step in steps]))
    found = holds(model, near, slack)
    return tuple(replace(step, hold=hold) for step, hold in zip(steps, found, strict=True))


def _unreached(step: AskedStep, what: str, reason: str) -> Finding:
    return refused(
        "jaw_pose", f"the step {step.name} cannot be {what}: {reason}", step.name
    )


def _step(
    batch: _Batch, member: int, asked: AskedStep, scale: BiteScale,
    rules: tuple[Grading, LengthLimits],
) -> Step:
    left, right = (_rod(batch, member, side, rules) for side in (0, 1))
    return Step(
        percent=float(asked.percent),
        advancement_mm=float(asked.advancement_mm),
        displacement_mm=float(scale.displacement(asked.advancement_mm)),
        start=asked.start,
        left=left, right=right,
        made=made_at(batch.made, member, scale),
    )


def _rod(
    batch: _Batch, member: int, side: int, rules: tuple[Grading, LengthLimits]
) -> RodLength:
    length = batch.lengths[member][side]
    return RodLength(
        exact_mm=float(batch.designed.lengths_mm[member, side]),
        length=length,
        mm_per_mm=float(batch.designed.mm_per_mm[member, side]),
        tolerance_mm=length_tolerance(length, *rules),
    )


def length_tolerance(length: Decimal, grading: Grading, limits: LengthLimits) -> Decimal:
    """Give the tolerance (±) of a length: the stated one, or else the template's own."""
    stated = grading.tolerance_mm
    return limits.tolerance_mm(length) if stated is None else stated


def side_tolerance(step: Step, grading: Grading) -> Decimal:
    """Give the tolerance (±) of a step's left minus right length, against its labels.

    Returns:
        The stated one, or else the smaller length tolerance of its two rods.
    """
    stated = grading.side_tolerance_mm
    own = min(step.left.tolerance_mm, step.right.tolerance_mm)
    return own if stated is None else stated


def made_at(made: ReadBack, member: int, scale: BiteScale) -> Made:
    """Take one pair's position out of a batch that was read back.

    Args:
        member: Which of them; one with an answer.

    Returns:
        Where the jaw stands with this pair.
    """
    displacement = float(made.displacement_mm[member])
    advancement = displacement + float(scale.registered_advancement_mm)
    roll, pitch, yaw = _row(made.rotation_deg, member, 3)
    gap_left, gap_right = _row(made.pad_gap_mm, member, 2)
    return Made(
        advancement_mm=advancement,
        percent=100.0 * advancement / float(scale.range_mm),
        side_mismatch_mm=_value(made.side_mismatch_mm, member),
        deviation_mm=_value(made.deviation_mm, member),
        pitch_deg=pitch, yaw_deg=yaw, roll_deg=roll,
        pad_gap_left_mm=gap_left, pad_gap_right_mm=gap_right,
    )


def _value(column: Floats | None, member: int) -> float | None:
    return None if column is None else float(column[member])


def _row(table: Floats | None, member: int, width: int) -> tuple[float | None, ...]:
    if table is None:
        return (None,) * width
    return tuple(float(value) for value in table[member])
