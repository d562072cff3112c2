"""What is worth saying about a set, and does not stop it."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise

from labkit.core.findings import Finding, note
from labkit.core.grading.prescription import Grading, JawModelName, Prescription, Side
from labkit.core.grading.sides import SIDES_APART_MM
from labkit.core.grading.steps import LengthLimits, Step
from labkit.core.label.rules import upside_down
from labkit.core.numbers import NOISE_MM
from labkit.units import label_decimals, millimetres, plain

#: The professional definition of an effective appliance: increments of 1 mm or less over a
#: protrusive range of at least 5 mm (AADSM consensus, doi 10.15331/jdsm.3738).
WIDEST_STEP_MM = 1.0
LEAST_SPAN_MM = 5.0
#: An error of advancement by rounding that is worth a look, mm.
WIDEST_ROUNDING_MM = 0.1


def set_notes(
    steps: tuple[Step, ...], prescription: Prescription, limits: LengthLimits
) -> tuple[Finding, ...]:
    """Collect the notes on a graded set."""
    return (
        *_wide_steps(steps), *_moved_by_rounding(steps), *_short_span(steps), *sides_apart(steps),
        *turned_labels(_labels(steps), prescription.grading, limits),
        *average_values(prescription), *_no_start(prescription.grading),
    )


def _wide_steps(steps: tuple[Step, ...]) -> Iterator[Finding]:
    """The advancements asked for count: rounding to the grid is shown on its own."""
    gaps = [(b.advancement_mm - a.advancement_mm, a, b) for a, b in pairwise(steps)]
    wide = [gap for gap in gaps if gap[0] > WIDEST_STEP_MM + NOISE_MM]
    if not wide:
        return
    widest, below, above = max(wide, key=lambda gap: gap[0])
    yield note(
        "wide_steps",
        "{count} of {increments} increments are over 1 mm of advancement, the widest {widest} mm, "
        "from {below} to {above}",
        ", ".join(f"{below.name} to {above.name}" for _, below, above in wide),
        count=str(len(wide)), increments=str(len(gaps)), widest=millimetres(widest),
        below=below.name, above=above.name,
    )


def _moved_by_rounding(steps: tuple[Step, ...]) -> Iterator[Finding]:
    moved = [step for step in steps if abs(step.rounding_mm) > WIDEST_ROUNDING_MM + NOISE_MM]
    if not moved:
        return
    most = max(moved, key=lambda step: abs(step.rounding_mm))
    yield note(
        "rounding_moves_jaw",
        "rounding to the length grid moves the jaw by more than {limit} mm at {count} of {steps} "
        "steps, most at {most} ({moved} mm); a finer length grid comes nearer",
        ", ".join(step.name for step in moved),
        limit=plain(WIDEST_ROUNDING_MM), count=str(len(moved)), steps=str(len(steps)),
        most=most.name, moved=f"{most.rounding_mm:+.2f}",
    )


def _short_span(steps: tuple[Step, ...]) -> Iterator[Finding]:
    if not steps:
        return
    span = steps[-1].advancement_mm - steps[0].advancement_mm
    if span >= LEAST_SPAN_MM - NOISE_MM:
        return
    yield note(
        "short_span",
        "the set spans {span} mm of advancement; the professional definition of an effective "
        "appliance asks for a range of at least 5 mm, so check that no step is missing",
        f"{steps[0].name} to {steps[-1].name}",
        span=millimetres(span),
    )


def sides_apart(steps: tuple[Step, ...]) -> Iterator[Finding]:
    """Note steps whose left and right rods differ much."""
    apart = [(abs(step.left.length - step.right.length), step) for step in steps]
    unlike = [pair for pair in apart if pair[0] > SIDES_APART_MM]
    if not unlike:
        return
    most, step = max(unlike, key=lambda pair: pair[0])
    yield note(
        "sides_apart",
        "the left and right rods differ by more than 0.5 mm at {count} of {steps} steps, most at "
        "{most} ({left} and {right}, {apart} mm); check the anchors of both sides, and keep the "
        "sides apart when fitting",
        ", ".join(step.name for _, step in unlike),
        count=str(len(unlike)), steps=str(len(steps)), most=step.name, left=step.left.label,
        right=step.right.label, apart=plain(most),
    )


def _labels(steps: tuple[Step, ...]) -> tuple[str, ...]:
    """Every label of the set once, in the order of the steps, left before right."""
    return tuple(dict.fromkeys(step.rod(side).label for step in steps for side in Side))


def turned_labels(
    labels: tuple[str, ...], grading: Grading, limits: LengthLimits
) -> Iterator[Finding]:
    """Note labels that, turned upside down, read as another rod or as a plausible length.

    Args:
        labels: Every label that lies in the case box, once.
        grading: Gives the length grid, and with it the decimals of a label.

    Yields:
        Notes.
    """
    decimals = label_decimals(grading.grid_mm)
    for label in labels:
        turned = upside_down(label)
        if turned is None or turned == label:
            continue
        if turned in labels:
            yield note(
                "label_turns_into_another",
                "the label {label} turned upside down reads {turned}, which is another rod of this "
                "set; it gets a bar under it, so read rods with the bar below",
                label, label=label, turned=turned,
            )
        elif _plausible(turned, decimals, limits):
            yield note(
                "label_turns_into_a_length",
                "the label {label} turned upside down reads {turned}, which is a length the "
                "template allows; it gets a bar under it, so read rods with the bar below",
                label, label=label, turned=turned,
            )


def _plausible(turned: str, decimals: int, limits: LengthLimits) -> bool:
    """Whether a reading could be a rod's label: a digit or more, the point, the grid's decimals."""
    whole, point, fraction = turned.partition(".")
    if not whole or not point or len(fraction) != decimals:
        return False
    return str(int(whole)) == whole and limits.allows(Decimal(turned))


def average_values(prescription: Prescription) -> Iterator[Finding]:
    """Note the averages that stand for what was not recorded on this patient."""
    assumed = prescription.jaw.assumed
    if not assumed or prescription.jaw.model is JawModelName.STRAIGHT:
        return
    yield note(
        "average_values",
        f"average values were used, not this patient's, for: {', '.join(assumed)}; record them "
        "where the fit matters",
        ", ".join(f"jaw.{key}" for key in assumed),
    )


def _no_start(grading: Grading) -> Iterator[Finding]:
    if grading.start is None and grading.start_step is None:
        yield note(
            "no_start",
            "the prescription names no starting step; the prescriber decides it, so ask before "
            "the first fitting",
            "grading.start",
        )
