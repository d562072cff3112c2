"""Extra rods: steps ordered later, from the stored prescription, beside the rods already out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from labkit.core.case.cover import TolerancedRod, cannot_be_told
from labkit.core.case.extra_requests import ExtraRequest, requested_steps
from labkit.core.case.rods_out import PairOut, RodOut, pairs_out
from labkit.core.findings import Finding, refusals, refused
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import check_recorded, compute_steps, set_of
from labkit.core.grading.hold import check_holds
from labkit.core.grading.notes import (
    average_values,
    sides_apart,
    turned_labels,
)
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.rules import check_steps
from labkit.core.grading.steps import LengthLimits, Made, SpacerSet, Step
from labkit.core.jaw.build import jaw_model
from labkit.core.numbers import Finite
from labkit.units import plain

#: Code of the finding that a rod asked for could measure as an existing one.
TOO_NEAR = "label_too_near"


@dataclass(frozen=True)
class SeriesRow(Finite):
    """One setting of the whole series, as the case sheet shows it.

    Args:
        new: Whether its rods are the ones being made.
        pair: Name of the setting; of a new one, its number in the order, from 1.
        percent: Percent as made, on the range as recorded now.
        left, right: Labels; empty where that side's rod is not out.
        made: Where the jaw stands.
    """

    new: bool
    pair: str
    percent: float
    advancement_mm: float
    left: str
    right: str
    made: Made


@dataclass(frozen=True)
class ExtraRods:
    """Extra steps, ready to be made like any set, and the series that they complete.

    Args:
        spacer_set: The new steps alone, with every finding.
        series: Existing and new settings by rising advancement.
        asked: What was asked for each step, in words; where nothing is refused.
    """

    spacer_set: SpacerSet
    series: tuple[SeriesRow, ...]
    asked: tuple[str, ...] = ()

    @property
    def refused(self) -> tuple[Finding, ...]:
        """The findings that stop the order; empty where the rods may be made."""
        return refusals(self.spacer_set.findings)


def extra_rods(
    prescription: Prescription, rods: tuple[TolerancedRod, ...],
    requests: tuple[ExtraRequest, ...], limits: LengthLimits,
) -> ExtraRods:
    """Work out extra steps, and whether their rods can be told from all that are out.

    Args:
        prescription: The case's prescription as stored; its grading's list of steps is not
            looked at, its length grid and tolerance are.
        rods: Every rod of the case that is out or reserved, with the tolerance it was made with.
        limits: Limits of the case's rod template as stored.

    Returns:
        The new steps and the whole series. Refused is a rod that exists (same label, same side),
        one too near to a rod out for both tolerances, a step outside 0 % to 100 %, and what
        grading refuses.

    Validity: any prescription; nothing is raised for a rule of the trade.

    Raises:
        InputError: Two rods of one pair and side.

    Source: DEVELOPERS.md, "The design" (grading).
    """
    findings = list(check_recorded(prescription))
    if findings:
        return ExtraRods(set_of(prescription, (), findings), ())
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    requested, request_findings = requested_steps(
        requests, scale, model, prescription.grading.grid_mm
    )
    steps, pose_findings = compute_steps(
        tuple(one.step for one in requested), scale, prescription, limits
    )
    pairs, unread = pairs_out([rod.rod for rod in rods], model, scale)
    findings += [
        *request_findings, *pose_findings, *unread, *check_steps(steps, prescription, limits),
        *check_holds(steps, prescription.grading),
        *_beside_existing(steps, rods, pairs),
    ]
    series = _series(steps, pairs)
    findings += _notes(steps, series, prescription, limits)
    asked = tuple(one.words for one in requested)
    return ExtraRods(set_of(prescription, steps, findings), series, asked)


def _beside_existing(
    steps: tuple[Step, ...], rods: tuple[TolerancedRod, ...], pairs: tuple[PairOut, ...]
) -> Iterator[Finding]:
    makes = {pair.pair: f" ({pair.made.percent:.1f} %, {pair.name})" for pair in pairs}
    for side in Side:
        out = [rod for rod in rods if rod.rod.side is side]
        for step in steps:
            near = cannot_be_told(step.rod(side), out)
            if near is None:
                continue
            stands = (near.rod.place or near.rod.pair) + makes.get(near.rod.pair, "")
            if near.length == step.rod(side).length:
                yield _exists(step, side, near.rod, stands)
            else:
                yield _too_near(step, side, near, stands)


def _exists(step: Step, side: Side, rod: RodOut, stands: str) -> Finding:
    state = "is in circulation already" if rod.made else "is being made already"
    return refused(
        "rod_exists",
        f"the {side} rod {step.rod(side).label} asked for at {step.name} {state}, in {stands}; "
        f"use it, or ask for another step",
        f"{step.name} {side}",
    )


def _too_near(step: Step, side: Side, near: TolerancedRod, stands: str) -> Finding:
    wanted = step.rod(side)
    difference = abs(wanted.length - near.length)
    return refused(
        TOO_NEAR,
        f"the {side} rod {wanted.label} asked for at {step.name} and the existing "
        f"{near.rod.label} in {stands} differ by only {plain(difference)} mm, and with their "
        f"tolerances of ±{plain(wanted.tolerance_mm)} and ±{plain(near.tolerance_mm)} mm one could "
        "measure as the other; use the existing rod or choose a step further away",
        f"{step.name} {side}",
    )


def _series(steps: tuple[Step, ...], pairs: tuple[PairOut, ...]) -> tuple[SeriesRow, ...]:
    rows = [_row(pair.pair, pair.left, pair.right, pair.made, new=False) for pair in pairs]
    rows += [
        _row(str(number), step.left.label, step.right.label, step.made, new=True)
        for number, step in enumerate(steps, 1)
    ]
    return tuple(sorted(rows, key=lambda row: row.advancement_mm))


def _row(pair: str, left: str, right: str, made: Made, *, new: bool) -> SeriesRow:
    return SeriesRow(new, pair, made.percent, made.advancement_mm, left, right, made)


def _notes(
    steps: tuple[Step, ...], series: tuple[SeriesRow, ...], prescription: Prescription,
    limits: LengthLimits,
) -> Iterator[Finding]:
    """Notes on the new rods among all that lie in the case box."""
    if not steps:
        return
    new = {label for row in series if row.new for label in (row.left, row.right)}
    labels = tuple(dict.fromkeys(
        label for row in series for label in (row.left, row.right) if label
    ))
    yield from sides_apart(steps)
    for finding in turned_labels(labels, prescription.grading, limits):
        if new & set(finding.where.split(", ")):  # the others were noted with the earlier sets
            yield finding
    yield from average_values(prescription)
