"""What an observed distance of the seats makes of a prescription: the jaw model read backwards."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from labkit.core.case.trial_seen import Correct, step_at_100
from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale, bite_scale
from labkit.core.grading.prescription import Anchors, Bite, Prescription, Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.jaw.build import jaw_model, registered_length
from labkit.core.jaw.model import ReadBack
from labkit.core.jaw.path import read_back_near_path
from labkit.core.numbers import Finite
from labkit.units import NOISE_DECIMALS, millimetres, plain

Seats = tuple[float, float]


@dataclass(frozen=True)
class Observed(Finite):
    """What counts of a trial fit.

    Args:
        seats_mm: Distance of the seats at the true maximum, left and right.
        correct: What the prescriber said was recorded wrongly; None for the range alone.
    """

    seats_mm: Seats
    correct: Correct | None = None


@dataclass(frozen=True)
class Moved(Finite):
    """A prescription after a trial fit.

    Args:
        advancement_mm: True maximum, from zero, as read back.
    """

    holds: Prescription
    advancement_mm: float


def moved_by(prescription: Prescription, observed: Observed) -> Moved | Finding:
    """Read the jaw model backwards, from the seats' distance to the true maximum.

    Formula: D → advancement a, by reading back; protruded' = zero reading + a; midline deviation'
    = midline deviation · (protruded' − retruded) / (protruded − retruded), so that the path stays
    as recorded. Corrected: a side's distance L_reg' = D + σ d, d read back on the other side; or
    midline deviation' = v (protruded' − retruded) / d, v read back on both.

    Args:
        prescription: One that grading does not refuse; the correction fits its jaw model.

    Returns:
        What would hold, or why the distances cannot be read back.

    Validity: any jaw model; the readings are exact to 1e-9 mm.

    Source: DEVELOPERS.md, "The trial fit".
    """
    if observed.correct in (Correct.LEFT, Correct.RIGHT):
        prescription = _with_distance(prescription, observed.seats_mm, Side(observed.correct.value))
    read = read_seats(prescription, observed.seats_mm)
    if read.problems:
        return _unreached(observed.seats_mm, read.problems[0])
    scale = bite_scale(prescription.bite)
    displacement = float(read.displacement_mm[0])
    maximum = displacement + float(scale.registered_advancement_mm)
    bite = _bite_at(prescription.bite, scale, maximum)
    if observed.correct is Correct.MIDLINE:
        bite = _with_midline(bite, read, displacement)
    return Moved(replace(prescription, bite=bite), maximum)


def read_seats(prescription: Prescription, seats: Seats) -> ReadBack:
    """Read back where the jaw stands with seats so far apart; a batch of one."""
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    return read_back_near_path(model, np.array([seats]))


def confirms(before: Prescription, after: Prescription, limits: LengthLimits) -> bool:
    """Tell whether the 100 % rods of the record are, within their tolerance, the true ones."""
    old, _ = step_at_100(bite_scale(before.bite), before, limits)
    new, _ = step_at_100(bite_scale(after.bite), after, limits)
    return old is not None and new is not None and all(
        abs(old.rod(side).length - new.rod(side).length) <= new.rod(side).tolerance_mm
        for side in Side
    )


def after_trial(
    prescription: Prescription, observed: Observed, limits: LengthLimits
) -> Moved | Finding:
    """Give what holds after a trial fit: the prescription as it is where the trial confirms it."""
    moved = moved_by(prescription, observed)
    if isinstance(moved, Moved) and observed.correct is None and confirms(
        prescription, moved.holds, limits
    ):
        return replace(moved, holds=prescription)
    return moved


def _with_distance(prescription: Prescription, seats: Seats, side: Side) -> Prescription:
    """Correct one straight side's recorded distance, the other side being right."""
    number = list(Side).index(side)
    other = prescription.anchors(Side.RIGHT if side is Side.LEFT else Side.LEFT)
    apart = _decimal(registered_length(other) or 0.0) - _decimal(seats[1 - number])
    anchors = Anchors(float(clean(_decimal(seats[number]) + apart)))
    if side is Side.LEFT:
        return replace(prescription, left=anchors)
    return replace(prescription, right=anchors)


def _bite_at(bite: Bite, scale: BiteScale, maximum_mm: float) -> Bite:
    """Give the readings with another protruded one, on the same path."""
    protruded = clean(scale.zero + _decimal(maximum_mm))
    if not bite.midline_deviation_mm or bite.retruded is None:
        return replace(bite, protruded=protruded)
    longer = (protruded - bite.retruded) / (bite.protruded - bite.retruded)
    deviation = clean(bite.midline_deviation_mm * longer)
    return replace(bite, protruded=protruded, midline_deviation_mm=deviation)


def _with_midline(bite: Bite, read: ReadBack, displacement: float) -> Bite:
    if read.deviation_mm is None or bite.retruded is None:
        raise ValueError("a midline deviation is read where the model and the bite know of it")
    per_mm = _decimal(float(read.deviation_mm[0]) / displacement)
    return replace(bite, midline_deviation_mm=clean(per_mm * (bite.protruded - bite.retruded)))


def _decimal(value: float) -> Decimal:
    return Decimal(repr(value))


def clean(value: Decimal) -> Decimal:
    """Drop the noise of binary numbers and the zeros at the end."""
    return Decimal(plain(value.quantize(Decimal(1).scaleb(-NOISE_DECIMALS))))


def _unreached(seats: Seats, reason: str) -> Finding:
    left, right = (millimetres(distance, 3) for distance in seats)
    return refused(
        "jaw_pose",
        f"seats {left} mm apart on the left and {right} mm on the right cannot be read back: "
        f"{reason}",
        "trial",
    )
