"""What a trial fit has shown, and how far apart the seats stand at the true maximum."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.case.rods_out import RodOut, length_of, rods_of
from labkit.core.findings import Finding, note, refused
from labkit.core.grading.bite import BiteScale
from labkit.core.grading.grade import compute_steps
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.series import AskedStep, asked_steps, same_value
from labkit.core.grading.steps import LengthLimits, RodLength, Step
from labkit.core.numbers import require_finite
from labkit.errors import InputError
from labkit.units import millimetres, plain

HUNDRED = Decimal(100)


@dataclass(frozen=True)
class TrialSeen:
    """What was met with the patient as far forward as they can go; given in one way of three.

    Args:
        met: Label of the rods that meet their seats, where both sides bear the same.
        left, right: Labels of the rods that meet their seats, each side by itself.
        gap_left_mm, gap_right_mm: How far the 100 % rod reaches past its seat: + it overshoots,
            - it falls short, 0 it fits.

    Raises:
        InputError: Given in no way, in two ways, or for one side only.
    """

    met: str = ""
    left: str = ""
    right: str = ""
    gap_left_mm: Decimal | None = None
    gap_right_mm: Decimal | None = None

    def __post_init__(self) -> None:
        require_finite(self)
        gaps = [gap for gap in (self.gap_left_mm, self.gap_right_mm) if gap is not None]
        sides = [label for label in (self.left, self.right) if label]
        if sum(map(bool, (self.met, sides, gaps))) != 1:
            raise InputError(
                "a trial fit is told in one way: the label that both sides met, or a left and a "
                "right label, or a left and a right gap of the 100 % rods; "
                f"{'two of them were given' if self.met or sides else 'none was given'}",
                field="trial", allowed="met; or left and right; or gap-left and gap-right",
            )
        if len(sides or gaps) == 1:
            what = "label" if sides else "gap"
            raise InputError(
                f"the {what} of one side only was given; the jaw can turn, so give the {what} "
                "of both sides",
                field="trial", allowed="both sides",
            )
        for label in (self.met, self.left, self.right):
            if label:
                length_of(label)

    @property
    def labels(self) -> tuple[str, str] | None:
        """The labels met, left and right; None where gaps were given."""
        if self.met:
            return (self.met, self.met)
        return (self.left, self.right) if self.left else None


def step_at_100(
    scale: BiteScale, prescription: Prescription, limits: LengthLimits
) -> tuple[Step | None, tuple[Finding, ...]]:
    """Work out the rods of 100 %, whether or not the grading asks for them."""
    asked = AskedStep(HUNDRED, HUNDRED, scale.range_mm, start=False)
    steps, findings = compute_steps((asked,), scale, prescription, limits)
    return (steps[0] if steps else None), findings


def seats_apart(
    seen: TrialSeen, rods: tuple[RodOut, ...], prescription: Prescription,
    scale: BiteScale, limits: LengthLimits,
) -> tuple[tuple[float, float] | None, tuple[Finding, ...]]:
    """Work out how far apart the seats stand at the true maximum.

    Formula: D = label met, or D = L₁₀₀ − gap for pull and push alike, L₁₀₀ the made 100 % rod;
    where the grading asks for no 100 % step and none is out, its exact length.

    Args:
        prescription: The case's prescription as recorded, which grading does not refuse.

    Returns:
        Distances left and right in mm, None where refused, and what was found.
    """
    if seen.labels is not None:
        findings = tuple(_not_out(seen.labels, rods))
        left, right = (float(length_of(label)) for label in seen.labels)
        return (None if findings else (left, right)), findings
    step, findings = step_at_100(scale, prescription, limits)
    if step is None:
        return None, findings
    asked_for = any(
        same_value(asked.percent, HUNDRED)
        for asked in asked_steps(prescription.grading, scale)[0]
    )
    distances: list[float] = []
    found: list[Finding] = []
    for side, gap in ((Side.LEFT, seen.gap_left_mm), (Side.RIGHT, seen.gap_right_mm)):
        length, finding = _rod_at_100(step.rod(side), side, rods, asked_for=asked_for)
        distance = length - float(gap or 0)
        found += [finding] if finding else []
        found += [_gap_too_large(side, gap, length)] if distance <= 0 else []
        distances.append(distance)
    if any(finding.severity == "refused" for finding in found):
        return None, tuple(found)
    return (distances[0], distances[1]), tuple(found)


def _not_out(labels: tuple[str, str], rods: tuple[RodOut, ...]) -> Iterator[Finding]:
    for side, label in zip(Side, labels, strict=True):
        out = [rod for rod in rods_of(rods, side) if rod.made]
        if any(rod.length == length_of(label) for rod in out):
            continue
        reserved = any(rod.length == length_of(label) for rod in rods_of(rods, side))
        why = "is only reserved and not made yet" if reserved else "is not among the rods out"
        yield refused(
            "rod_not_out",
            f"the {side} rod {label} {why}; {_listed(out, side)}, so give the label of a rod "
            "that was tried",
            f"{label} {side}",
        )


def _rod_at_100(
    wanted: RodLength, side: Side, rods: tuple[RodOut, ...], *, asked_for: bool
) -> tuple[float, Finding | None]:
    """Find the rod that serves as the 100 % rod: the label as graded, or one within tolerance."""
    out = [rod for rod in rods_of(rods, side) if rod.made]
    near = min(out, key=lambda rod: abs(rod.length - wanted.length), default=None)
    if near is not None and abs(near.length - wanted.length) <= wanted.tolerance_mm:
        return float(near.length), None
    if asked_for:
        return wanted.exact_mm, refused(
            "no_rod_at_100",
            f"a gap of the {side} 100 % rod was given, but no {side} rod out is one (it would be "
            f"{wanted.label}); {_listed(out, side)}, so give the labels of the rods that met "
            "their seats",
            f"100 % {side}",
        )
    return wanted.exact_mm, note(
        "gap_from_exact_length",
        f"the case has no {side} 100 % rod, so the gap is counted from the exact 100 % length, "
        f"{millimetres(wanted.exact_mm, 3)} mm",
        f"100 % {side}",
    )


def _gap_too_large(side: Side, gap: Decimal | None, length: float) -> Finding:
    return refused(
        "gap_too_large",
        f"a {side} gap of {plain(gap or Decimal(0))} mm is more than the whole rod of "
        f"{millimetres(length)} mm; give how far the rod reaches past its seat, in mm",
        f"gap {side}",
    )


def _listed(rods: list[RodOut], side: Side) -> str:
    labels = ", ".join(dict.fromkeys(rod.label for rod in rods))
    return f"out on the {side} are {labels}" if labels else f"no rod is out on the {side}"
