"""The rules of the trade that refuse a set."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from itertools import pairwise
from typing import Protocol

from labkit.core.findings import Finding, refused
from labkit.core.grading.prescription import (
    Action,
    Anchors,
    Grading,
    JawModelName,
    Point,
    Prescription,
    Side,
)
from labkit.core.grading.steps import LengthLimits, RodLength, Step
from labkit.core.jaw.build import anchor_distance, registered_length
from labkit.core.numbers import NOISE_MM
from labkit.units import millimetres, plain

#: A stated pin distance and the anchors may differ by this much (DEVELOPERS.md, The design).
PIN_DISTANCE_AGREEMENT_MM = 0.05
#: Below this |dL/dd| the rod stands within 12° of upright to the path, and a grid of 0.1 mm
#: already means 0.5 mm of advancement: the length no longer tells the position.
LEAST_MM_PER_MM = 0.2


def check_sides(prescription: Prescription) -> tuple[Finding, ...]:
    """Check that both sides are given, and given without contradiction.

    Returns:
        Refusals; empty where lengths can be computed.
    """
    findings: list[Finding] = []
    for side in Side:
        anchors = prescription.anchors(side)
        checks = (
            _complete(anchors, side, prescription.jaw.model),
            _distance_agrees(anchors, side),
            _seats_agree(anchors, side, prescription.action),
        )
        findings += [finding for finding in checks if finding is not None]
    return (*findings, *_sides_agree(prescription))


def _complete(anchors: Anchors, side: Side, model: JawModelName) -> Finding | None:
    where = f"appliance.{side}"
    if model is JawModelName.STRAIGHT:
        if registered_length(anchors) is not None:
            return None
        return refused(
            "side_without_length",
            f"the {side} side has neither a pin distance nor both anchor points; give its pin "
            "distance at the registered bite",
            where,
        )
    if anchor_distance(anchors) is not None:
        return None
    return refused(
        "side_without_anchors",
        f"the {model} jaw model needs the upper and the lower anchor point of the {side} side; "
        'give both, or use model = "straight" with a pin distance',
        where,
    )


def _distance_agrees(anchors: Anchors, side: Side) -> Finding | None:
    distance, stated = anchor_distance(anchors), anchors.pin_distance_mm
    if distance is None or stated is None:
        return None
    if abs(distance - stated) <= PIN_DISTANCE_AGREEMENT_MM + NOISE_MM:
        return None
    return refused(
        "anchors_contradict_pin_distance",
        f"the {side} anchors are {millimetres(distance, 3)} mm apart, but the pin distance is "
        f"given as {plain(stated)} mm; they may differ by {PIN_DISTANCE_AGREEMENT_MM} mm, so "
        "measure again or leave one out",
        f"appliance.{side}",
    )


def _seats_agree(anchors: Anchors, side: Side, action: Action) -> Finding | None:
    if anchors.upper is None or anchors.lower is None:
        return None
    ahead = anchors.upper[0] - anchors.lower[0]
    if action.sigma * ahead > 0:
        return None
    stands = f"{millimetres(abs(ahead))} mm {'in front of' if ahead > 0 else 'behind'}"
    if ahead == 0:
        stands = "level with"
    needed, other = ("in front of", "push") if action is Action.PULL else ("behind", "pull")
    return refused(
        "anchors_contradict_action",
        f"the {side} upper seat lies {stands} the lower one, but a {action} rod needs it "
        f"{needed} the lower seat; check the anchors, or whether the action is {other}",
        f"appliance.{side}",
    )


def _sides_agree(prescription: Prescription) -> tuple[Finding, ...]:
    left, right, jaw = prescription.left, prescription.right, prescription.jaw
    pairs: list[tuple[str, Point | None, Point | None]] = [
        ("upper anchor", left.upper, right.upper), ("lower anchor", left.lower, right.lower),
    ]
    if jaw.model is JawModelName.HINGED:
        pairs.append(("condyle", jaw.condyle_left, jaw.condyle_right))
    return tuple(
        refused(
            "sides_contradict",
            f"the left {what} (y = {plain(first[1])}) does not lie to the left of the right one "
            f"(y = {plain(second[1])}); y grows to the patient's left, so check whether the "
            "sides are exchanged",
            f"{what}s",
        )
        for what, first, second in pairs
        if first is not None and second is not None and first[1] <= second[1]
    )


def check_grid(grading: Grading) -> tuple[Finding, ...]:
    """Check that the length grid and a stated tolerance can be used."""
    findings = []
    if grading.grid_mm <= 0:
        findings.append(refused(
            "grid_not_positive",
            f"lengths cannot be rounded to a grid of {plain(grading.grid_mm)} mm; give a grid "
            "above 0, such as 0.1",
            "grading.grid",
        ))
    if grading.tolerance_mm is not None and grading.tolerance_mm < 0:
        findings.append(refused(
            "tolerance_negative",
            f"a tolerance of ±{plain(grading.tolerance_mm)} mm has no meaning; give 0 or more",
            "grading.tolerance",
        ))
    return tuple(findings)


def check_steps(
    steps: Iterable[Step], prescription: Prescription, limits: LengthLimits
) -> tuple[Finding, ...]:
    """Check the graded rods against the rules of the trade."""
    steps = tuple(steps)
    findings: list[Finding] = []
    for side in Side:
        findings += _within_limits(steps, side, limits)
        findings += tells_position(steps, side, prescription.action)
        findings += _labels_differ(steps, side)
        findings += _cannot_swap(steps, side)
    return tuple(findings)


def _within_limits(steps: tuple[Step, ...], side: Side, limits: LengthLimits) -> list[Finding]:
    return [
        refused(
            "length_outside_limits",
            f"the {side} rod at {step.name} would be {step.rod(side).label} mm long; template "
            f"{limits.template} takes {plain(limits.shortest_mm)} to {plain(limits.longest_mm)} "
            "mm, so choose another template or move the anchors",
            f"{step.name} {side}",
        )
        for step in steps if not limits.allows(step.rod(side).length)
    ]


def tells_position(steps: tuple[Step, ...], side: Side, action: Action) -> list[Finding]:
    """Refuse rods that stand so upright that their length does not tell the position."""
    findings = []
    for step in steps:
        rate = step.rod(side).mm_per_mm
        if -action.sigma * rate >= LEAST_MM_PER_MM:
            continue
        findings.append(refused(
            "rod_stands_upright",
            f"the {side} rod at {step.name} is nearly upright to the path or has passed it: "
            f"it changes by {millimetres(rate)} mm for 1 mm forward, where a {action} rod must "
            f"change by {-action.sigma * LEAST_MM_PER_MM} mm or more, so its length no longer "
            "gives the position; move the anchors further apart along the path",
            f"{step.name} {side}",
        ))
    return findings


def _labels_differ(steps: tuple[Step, ...], side: Side) -> list[Finding]:
    bearers = defaultdict(list)
    for step in steps:
        bearers[step.rod(side).label].append(step.name)
    return [
        refused(
            "labels_repeat",
            f"the {side} rods at {' and '.join(names)} would bear the same label {label}; set "
            "the steps further apart, or use a finer length grid",
            f"{', '.join(names)} {side}",
        )
        for label, names in bearers.items() if len(names) > 1
    ]


def _cannot_swap(steps: tuple[Step, ...], side: Side) -> list[Finding]:
    by_length = sorted(steps, key=lambda step: step.rod(side).length)
    worst: tuple[Decimal, Step, Step] | None = None
    for shorter, longer in pairwise(by_length):
        first, second = shorter.rod(side), longer.rod(side)
        room = swap_room_mm(first, second)
        # Equal labels have a refusal of their own, which says what to do about them.
        if second.length > first.length and room <= 0 and (worst is None or room < worst[0]):
            worst = (room, shorter, longer)
    return [] if worst is None else [_too_wide(worst[1], worst[2], side)]


class Toleranced(Protocol):
    """A length with its tolerance."""

    @property
    def length(self) -> Decimal:
        """Made length, mm."""

    @property
    def tolerance_mm(self) -> Decimal:
        """Tolerance of the length, ±."""


def swap_room_mm(first: Toleranced, second: Toleranced) -> Decimal:
    """Give what is left between two rods at the worst of both tolerances.

    Formula: |L₁ − L₂| − t₁ − t₂; at 0 or below, one rod can measure as the other.
    """
    return abs(second.length - first.length) - first.tolerance_mm - second.tolerance_mm


def _too_wide(shorter: Step, longer: Step, side: Side) -> Finding:
    first, second = shorter.rod(side), longer.rod(side)
    difference = second.length - first.length
    return refused(
        "tolerance_too_wide",
        f"the {side} rods {first.label} ({shorter.name}) and {second.label} ({longer.name}) "
        f"differ by {plain(difference)} mm, but {_tolerances(first, second)} lets them swap; a "
        f"tolerance must stay below half of the difference ({plain(difference / 2)} mm), so "
        "state a narrower one that the process holds, or set the steps further apart",
        f"{shorter.name}, {longer.name} {side}",
    )


def _tolerances(first: RodLength, second: RodLength) -> str:
    low, high = plain(first.tolerance_mm), plain(second.tolerance_mm)
    return f"a tolerance of ±{low} mm" if low == high else f"tolerances of ±{low} and ±{high} mm"
