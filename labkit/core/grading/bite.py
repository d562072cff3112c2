"""The bite scale: from percent to advancement to displacement, in exact decimals."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from labkit.core.findings import Finding, refused
from labkit.core.grading.prescription import Bite, Zero
from labkit.core.numbers import Finite
from labkit.units import plain

#: Readings of the bite gauge, from the hindmost to the foremost.
READINGS = ("retruded", "habitual", "registered", "protruded")


def zero_reading(bite: Bite) -> Decimal | None:
    """Give the reading that counts as 0 %; None where it was not recorded."""
    return bite.retruded if bite.zero is Zero.RETRUDED else bite.habitual


def protrusive_range(bite: Bite) -> Decimal | None:
    """Give the protruded minus the zero reading, mm; None where zero was not recorded."""
    zero = zero_reading(bite)
    return None if zero is None else bite.protruded - zero


@dataclass(frozen=True)
class BiteScale(Finite):
    """Bite readings that are in order, as a scale.

    Args:
        registered: Reading at which the bite was taken.
        sideways_per_mm: Midline deviation for each mm forward, + to the patient's left.
    """

    zero: Decimal
    protruded: Decimal
    registered: Decimal
    sideways_per_mm: float = 0.0

    @property
    def range_mm(self) -> Decimal:
        """Protrusive range."""
        return self.protruded - self.zero

    @property
    def registered_advancement_mm(self) -> Decimal:
        """Advancement at the registered bite."""
        return self.registered - self.zero

    def advancement(self, percent: Decimal) -> Decimal:
        """Give the advancement of a percentage: range · percent / 100, mm.

        >>> scale = BiteScale(Decimal("-5.2"), Decimal("6.4"), Decimal("2.9"))
        >>> scale.advancement(Decimal("62.5"))
        Decimal('7.25')
        """
        return self.range_mm * percent / 100

    def percent(self, advancement: Decimal) -> Decimal:
        """Give the percentage of an advancement in mm."""
        return 100 * advancement / self.range_mm

    def displacement(self, advancement: Decimal) -> Decimal:
        """Give the displacement from the registered bite of an advancement, mm, + forward.

        >>> scale = BiteScale(Decimal("-5.2"), Decimal("6.4"), Decimal("2.9"))
        >>> scale.displacement(Decimal("7.25"))
        Decimal('-0.85')
        """
        return advancement + self.zero - self.registered


def bite_scale(bite: Bite) -> BiteScale:
    """Make the scale of readings that `check_bite` does not refuse.

    Formula: sideways = midline deviation / (protruded − retruded), taken as linear.

    Raises:
        ValueError: The readings are refused by `check_bite`.
    """
    zero = zero_reading(bite)
    findings = check_bite(bite)
    if zero is None or findings:
        raise ValueError("; ".join(finding.message for finding in findings))
    sideways = 0.0
    if bite.midline_deviation_mm and bite.retruded is not None:
        sideways = float(bite.midline_deviation_mm / (bite.protruded - bite.retruded))
    return BiteScale(zero, bite.protruded, bite.registered, sideways)


def check_bite(bite: Bite) -> tuple[Finding, ...]:
    """Check the rules that bite readings must keep.

    Returns:
        Refusals; empty where the readings can be graded.
    """
    found = [_zero_recorded(bite), _in_order(bite), _registered_inside(bite), _midline(bite)]
    return tuple(finding for finding in found if finding is not None)


def _zero_recorded(bite: Bite) -> Finding | None:
    if zero_reading(bite) is not None:
        return None
    return refused(
        "zero_not_recorded",
        f"0 % is the {bite.zero} reading, which was not recorded; record it, or choose the "
        "other reading as zero",
        f"bite.{bite.zero}",
    )


def _recorded(bite: Bite) -> list[tuple[str, Decimal]]:
    readings = [
        ("retruded", bite.retruded), ("habitual", bite.habitual), ("protruded", bite.protruded),
    ]
    return [(name, value) for name, value in readings if value is not None]


def _in_order(bite: Bite) -> Finding | None:
    recorded = _recorded(bite)
    for (low, low_value), (high, high_value) in pairwise(recorded):
        if low_value > high_value:
            return refused(
                "readings_out_of_order",
                f"the {low} reading ({plain(low_value)}) lies in front of the {high} reading "
                f"({plain(high_value)}); readings grow from retruded over habitual to protruded, "
                "+ forward, so check the gauge's signs",
                f"bite.{high}",
            )
    span = protrusive_range(bite)
    if span is not None and span <= 0:
        return refused(
            "readings_out_of_order",
            f"the protruded reading ({plain(bite.protruded)}) equals the zero reading, which "
            "leaves no protrusive range to divide; check both readings",
            "bite.protruded",
        )
    return None


def _registered_inside(bite: Bite) -> Finding | None:
    low_name, low = _recorded(bite)[0]
    if low > bite.protruded or low <= bite.registered <= bite.protruded:
        return None
    if low_name == "protruded":  # neither end behind was recorded: said by _zero_recorded
        return None
    return refused(
        "registered_outside",
        f"the registered reading ({plain(bite.registered)}) lies outside the range from "
        f"{low_name} ({plain(low)}) to protruded ({plain(bite.protruded)}); a bite can only be "
        "taken where the jaw can go, so check the readings",
        "bite.registered",
    )


def _midline(bite: Bite) -> Finding | None:
    if not bite.midline_deviation_mm or bite.retruded is not None:
        return None
    return refused(
        "midline_needs_retruded",
        f"a midline deviation of {plain(bite.midline_deviation_mm)} mm is counted from the "
        "retruded reading, which was not recorded; record it, or leave the deviation out",
        "bite.retruded",
    )
