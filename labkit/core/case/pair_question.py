"""What any two rods of a case make together, also rods of different steps."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from labkit.core.case.cover import TolerancedRod
from labkit.core.case.rods_out import RodOut, pairs_out
from labkit.core.case.standing import PairStanding, pairs_standing
from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import check_recorded, length_tolerance
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.grading.steps import LengthLimits, Made
from labkit.core.jaw.build import jaw_model
from labkit.units import millimetres

_PAIR = "asked"


@dataclass(frozen=True)
class Together:
    """What two rods make on the geometry that holds now.

    Args:
        made: Where they hold the jaw; None where nowhere.
        off_mm: How far the jaw stands sideways from where it was recorded at that advancement, + to
            the left; where the model reads each side by itself, how far left is ahead of right.
        against: Why they must not be worn together; empty where nothing speaks against it.
    """

    makes: PairStanding
    made: Made | None
    off_mm: float | None
    against: tuple[Finding, ...]


def together(
    left: Decimal, right: Decimal, prescription: Prescription, limits: LengthLimits
) -> Together:
    """Work out what a left and a right rod make together, and whether they may be worn so.

    Args:
        left, right: Functional lengths, mm.
        limits: Of the rod template.

    Returns:
        The answer; refused is a pair that no position of the jaw takes, one beyond the maximum, and
        one that turns the jaw or loads one side.
    """
    assert not check_recorded(prescription)
    rods = [
        TolerancedRod(RodOut(_PAIR, side, str(length)),
                      length_tolerance(length, prescription.grading, limits))
        for side, length in zip(Side, (left, right), strict=True)
    ]  # fmt: skip
    makes = pairs_standing(rods, prescription)[_PAIR]
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    found, unread = pairs_out([rod.rod for rod in rods], model, scale)
    if not found:
        return Together(makes, None, None, unread)
    made = found[0].made
    against = [_beyond(makes)] if makes.not_to_be_worn else []
    if model.sides_alone:
        off = made.side_mismatch_mm or 0.0
        # Lengths on the grid differ by that much in every set.
        most = float(min(rod.tolerance_mm for rod in rods) + prescription.grading.grid_mm)
        if abs(off) > most:
            against.append(refused(
                "sides_of_two_steps",
                f"the {_side(off)} rod holds the jaw {millimetres(abs(off))} mm ahead of the other "
                "one; one joint would carry the difference, so they must not be worn together",
                "sides",
            ))  # fmt: skip
    else:
        displacement = made.advancement_mm - float(scale.registered_advancement_mm)
        off = (made.deviation_mm or 0.0) - scale.sideways_per_mm * displacement
        most = float(prescription.grading.most_sideways_mm)
        if abs(off) > most:
            against.append(refused(
                "jaw_sideways",
                f"the jaw would stand {millimetres(abs(off))} mm to the {_side(off)} of its "
                f"recorded path; at most {millimetres(most)} mm is allowed, so they must not be "
                "worn together",
                "sides",
            ))  # fmt: skip
    return Together(makes, made, off, tuple(against))


def _side(signed: float) -> str:
    return "left" if signed > 0 else "right"


def _beyond(makes: PairStanding) -> Finding:
    return refused(
        "beyond_the_maximum",
        f"NOT TO BE WORN: they make {makes.percent:.1f} % of the range that holds now, "
        f"{millimetres(makes.beyond_mm)} mm beyond the maximum", "percent",
    )  # fmt: skip
