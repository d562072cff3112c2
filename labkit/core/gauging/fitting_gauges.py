"""The sizes of a rod's end fittings as QA checks them: limits, and gauge pins for the bores."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal

from labkit.core.rod.rods import Ball, Eye, Fitting, RodTemplate
from labkit.core.rod.tolerances import SizeLimits, fit_limits

#: Gauge pins come in sets of this step.
PIN_STEP_MM = Decimal("0.01")
#: The pins asked for are not larger than marked and at most this much smaller (class "ZZ minus"
#: of the pin makers, 0.0002 in; from memory of ASME B89.1.5).
PIN_TOLERANCE_MM = Decimal("0.005")


@dataclass(frozen=True)
class FittingCheck:
    """One end fitting and its own limits.

    Args:
        what: "lower bore", "both balls" and so on.
        fit: ISO 286 class.
        go_pin_mm, no_go_pin_mm: Gauge pins for a bore: this one enters, that one does not.
    """

    what: str
    size: SizeLimits
    fit: str
    go_pin_mm: Decimal | None = None
    no_go_pin_mm: Decimal | None = None


def fittings_to_check(template: RodTemplate) -> tuple[FittingCheck, ...]:
    """List the sizes of the end fittings that the ways of measuring rely on.

    Returns:
        One entry where both ends are alike, else lower and upper.
    """
    if template.lower == template.upper:
        return (_check(template.lower, f"both {noun_of(template.lower)}s"),)
    ends = (("lower", template.lower), ("upper", template.upper))
    return tuple(_check(fitting, f"{end} {noun_of(fitting)}") for end, fitting in ends)


def gauge_pin_mm(eye: Eye) -> Decimal:
    """Choose the gauge pin for a bore: the largest of the set that enters the smallest bore.

    >>> gauge_pin_mm(Eye(2.5, 7.5, "H8")), gauge_pin_mm(Eye(2.5, 7.5, "JS9"))
    (Decimal('2.50'), Decimal('2.48'))
    """
    least = fit_limits(eye.fit, eye.bore_diameter_mm).least_mm
    return least.quantize(PIN_STEP_MM, ROUND_FLOOR)


def outer_bounds(fitting: Fitting) -> tuple[Decimal, Decimal]:
    """Bound how far the outer contact lies outside of a fitting's centre.

    Formula: gauge pin d in a bore D, pressed against its inner side: d − D/2; crosspin P/2; ball
    B/2.

    Returns:
        Least and greatest distance, mm, over the sizes' own limits.
    """
    if isinstance(fitting, Eye):
        bore, pin = fit_limits(fitting.fit, fitting.bore_diameter_mm), gauge_pin_mm(fitting)
        return pin - PIN_TOLERANCE_MM - bore.most_mm / 2, pin - bore.least_mm / 2
    size = fit_limits(fitting.fit, _diameter_mm(fitting))
    return size.least_mm / 2, size.most_mm / 2


def _check(fitting: Fitting, what: str) -> FittingCheck:
    size = fit_limits(fitting.fit, _diameter_mm(fitting))
    if not isinstance(fitting, Eye):
        return FittingCheck(what, size, fitting.fit)
    # A pin may be smaller than marked: the one that must not enter is still larger than the bore.
    no_go = (size.most_mm + PIN_TOLERANCE_MM).quantize(PIN_STEP_MM, ROUND_FLOOR) + PIN_STEP_MM
    return FittingCheck(what, size, fitting.fit, gauge_pin_mm(fitting), no_go)


def _diameter_mm(fitting: Fitting) -> float:
    if isinstance(fitting, Eye):
        return fitting.bore_diameter_mm
    return fitting.ball_diameter_mm if isinstance(fitting, Ball) else fitting.pin_diameter_mm


def noun_of(fitting: Fitting) -> str:
    """Name what is measured on a fitting."""
    return {"eye": "bore", "ball": "ball", "crosspin": "crosspin"}[fitting.kind]
