"""Sides that differ as slips of the hand do: the prescription is asked before anything is made."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from labkit.core.findings import Finding, refused
from labkit.core.form.keys import exact
from labkit.core.grading.prescription import Prescription
from labkit.core.grading.steps import Step
from labkit.units import plain

#: More difference than this between left and right is worth a look (DEVELOPERS.md, The design).
SIDES_APART_MM = Decimal("0.5")
#: Sides that differ by more are asked about: it is more often a slip than a mouth.
SIDES_ASKED_MM = Decimal(3)
#: Six coordinates of points are alike by chance too often to ask about less.
POINTS_ASKED_MM = Decimal(2)


def ask_about_sides(
    steps: tuple[Step, ...], prescription: Prescription
) -> Iterator[Finding]:
    """Ask about sides that differ as slips do, until the prescription says that they do differ."""
    if prescription.sides_differ:
        return
    for what, left, right, least in _typed_pairs(prescription):
        if abs(left - right) > least and _digits_exchanged(left, right):
            yield _asked_about(
                f"{what} are {plain(left)} on the left and {plain(right)} on the right, as if two "
                "digits were exchanged; look at both again"
            )
    most = max(steps, key=lambda step: abs(step.left.length - step.right.length), default=None)
    if most is not None and abs(most.left.length - most.right.length) > SIDES_ASKED_MM:
        yield _asked_about(
            f"the rods at {most.name} are {most.left.label} on the left and {most.right.label} on "
            f"the right, more than {SIDES_ASKED_MM} mm apart; measure both sides again"
        )


def _asked_about(words: str) -> Finding:
    return refused(
        "sides_asked_about",
        f"{words}, correct the one that is wrong, or say `sides_differ = true` in [appliance] "
        "where both are right",
        "appliance.sides_differ",
    )


def _typed_pairs(prescription: Prescription) -> Iterator[tuple[str, Decimal, Decimal, Decimal]]:
    """Give every distance that was typed for both sides, without sign, and what may lie between."""
    left, right = prescription.left, prescription.right
    if left.pin_distance_mm is not None and right.pin_distance_mm is not None:
        own = exact(left.pin_distance_mm), exact(right.pin_distance_mm)
        yield "the pin distances", *own, SIDES_APART_MM
    for name in ("upper", "lower"):
        points = getattr(left, name), getattr(right, name)
        if None not in points:
            for axis, (ours, theirs) in zip("xyz", zip(*points, strict=True), strict=True):
                what = f"the {axis} of the {name} anchors, without sign,"
                yield what, exact(abs(ours)), exact(abs(theirs)), POINTS_ASKED_MM


def _digits_exchanged(first: Decimal, second: Decimal) -> bool:
    """Tell whether one number is the other with two neighbouring digits exchanged.

    >>> _digits_exchanged(Decimal("31.4"), Decimal("34.1"))
    True
    """
    one, other = (f"{value:.2f}".replace(".", "") for value in (first, second))
    return any(
        one[:place] + one[place + 1] + one[place] + one[place + 2 :] == other
        for place in range(len(one) - 1)
    )
