"""The sizes of a rod's end fittings as QA checks them: limits, and gauge pins for the bores."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from labkit.core.rod.fittings import Fitting
from labkit.core.rod.rods import RodTemplate
from labkit.core.rod.tolerances import SizeLimits


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
        return (_check(template.lower, f"both {template.lower.noun}s"),)
    ends = (("lower", template.lower), ("upper", template.upper))
    return tuple(_check(fitting, f"{end} {fitting.noun}") for end, fitting in ends)


def _check(fitting: Fitting, what: str) -> FittingCheck:
    return FittingCheck(
        what, fitting.limits, fitting.fit, fitting.gauge_pin_mm, fitting.no_go_pin_mm
    )
