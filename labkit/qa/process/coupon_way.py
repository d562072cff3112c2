"""From a reading on a coupon to its functional length, free of the fittings' nominal sizes."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from labkit.core.gauging.ways_of_measuring import Method, Way
from labkit.core.rod.fittings import Fitting
from labkit.core.rod.rods import RodTemplate
from labkit.errors import InputError
from labkit.qa.process.coupons import ToLength


def to_length(way: Way, template: RodTemplate) -> ToLength:
    """Give the function that turns a reading into a functional length.

    Formula: over the fittings L = R − Σ c, between them L = R + Σ c, with c = d − D/2 for a gauge
    pin d in a bore D, P/2 for a crosspin, B/2 for a ball, all as measured. The other ways give
    L = R. Nominal sizes must not be used: a process changes them, and what it does to the
    diameters would be taken for an offset of the length.

    Returns:
        The function of a reading and the coupon's measured diameters, mm.

    Raises:
        InputError: The way cannot decide a length.
    """
    if way.method is Method.ENDS:
        raise InputError(
            "the way `ends` is only a check: bosses have a tolerance of their own; measure the "
            "coupons over, between, half-sum or at their centres", field="way", value="ends",
        )
    sign = {Method.OVER: -1, Method.BETWEEN: 1}.get(way.method, 0)

    def length(reading: Decimal, sizes: Mapping[str, Decimal]) -> Decimal:
        if not sign:
            return reading
        return reading + sign * sum(
            (_contact(end, sizes) for end in (template.lower, template.upper)), Decimal(0)
        )

    return length


def _contact(fitting: Fitting, sizes: Mapping[str, Decimal]) -> Decimal:
    """Distance of the contact from the fitting's centre, from its measured diameter."""
    kind = fitting.surface
    if kind not in sizes:
        raise InputError(
            f"cannot be turned into a length without the coupon's own {kind}: the way touches it, "
            f"and the process changes it; measure it (columns {kind}_nominal and {kind}), or take "
            "the way half-sum or centres"
        )
    return fitting.contact_mm(sizes[kind])
