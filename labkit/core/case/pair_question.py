"""What any two rods of a case make together, also rods of different steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from labkit.core.case.cover import TolerancedRod
from labkit.core.case.rods_out import pairs_out
from labkit.core.case.standing import PairStanding, pairs_standing
from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale, bite_scale
from labkit.core.grading.grade import check_recorded
from labkit.core.grading.prescription import Prescription
from labkit.core.grading.steps import Made
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
    left: TolerancedRod, right: TolerancedRod, prescription: Prescription
) -> Together:
    """Work out what a left and a right rod make together, and whether they may be worn so.

    Args:
        left, right: With the tolerance that each was made with.

    Returns:
        The answer; refused is a pair that no position of the jaw takes, one beyond the maximum, one
        that turns the jaw or loads one side, and one that does not hold it.
    """
    assert not check_recorded(prescription)
    rods = [replace(one, rod=replace(one.rod, pair=_PAIR)) for one in (left, right)]
    makes = pairs_standing(rods, prescription)[_PAIR]
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    found, _ = pairs_out([rod.rod for rod in rods], model, scale)
    if not found:
        nowhere = refused(
            "jaw_pose", "no position of the jaw takes both of them at once", "percent"
        )
        return Together(makes, None, None, (nowhere,))
    made = found[0].made
    if model.sides_alone:
        off = made.side_mismatch_mm or 0.0
        # Lengths on the grid differ by that much in every set.
        most = float(min(rod.tolerance_mm for rod in rods) + prescription.grading.grid_mm)
        aside = _one_ahead(off, most)
    else:
        off = _sideways(made, scale)
        aside = _beside_path(off, float(prescription.grading.most_sideways_mm))
    return Together(makes, made, off, (*_beyond(makes), *aside, *_loose(makes)))


def _sideways(made: Made, scale: BiteScale) -> float:
    displacement = made.advancement_mm - float(scale.registered_advancement_mm)
    return (made.deviation_mm or 0.0) - scale.sideways_per_mm * displacement


def _beyond(makes: PairStanding) -> Iterator[Finding]:
    if makes.not_to_be_worn:
        yield refused(
            "beyond_the_maximum",
            f"they make {makes.percent:.1f} % of the range that holds now, "
            f"{millimetres(makes.beyond_mm)} mm beyond the maximum", "percent",
        )


def _one_ahead(off_mm: float, most_mm: float) -> Iterator[Finding]:
    if abs(off_mm) > most_mm:
        yield refused(
            "sides_of_two_steps",
            f"the {_side(off_mm)} rod holds the jaw {millimetres(abs(off_mm))} mm ahead of the "
            "other one, and one joint would carry the difference", "sides",
        )


def _beside_path(off_mm: float, most_mm: float) -> Iterator[Finding]:
    if abs(off_mm) > most_mm:
        yield refused(
            "jaw_sideways",
            f"the jaw would be {millimetres(abs(off_mm))} mm to the {_side(off_mm)} of its "
            f"recorded path, and at most {millimetres(most_mm)} mm is allowed", "sides",
        )


def _loose(makes: PairStanding) -> Iterator[Finding]:
    if not makes.holds:
        yield refused(
            "jaw_not_held",
            "rods within their tolerances do not hold the jaw in any one place", "sides",
        )


def _side(signed: float) -> str:
    return "left" if signed > 0 else "right"
