"""Coupons that stand out, and what a calibration must reach before it is used."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.findings import Finding, note, refused
from labkit.core.rod.rods import Compensation
from labkit.core.rod.tolerances import linear_tolerance
from labkit.qa.least_squares import Fit, fit_linear, t_tail
from labkit.qa.process.calibration import SIGNIFICANT, LengthFit, fit_lengths
from labkit.qa.process.coupons import DIAMETERS, Coupon
from labkit.units import counted, plain

#: A straight line through two lengths shows no bend, so that there must be a third.
LEAST_LENGTHS = 3
LEAST_COUPONS = 6
#: Degrees of freedom of coupons that repeat a length: what a lack of fit is held against.
LEAST_REPEATS = 3
#: A set spans 5 to 12 mm of length; from less than this its scale would be a guess.
LEAST_RANGE_MM = 10
LEAST_DIAMETERS = 5
#: The fitted line may be unsure by this part of the tolerance, with 95 % confidence.
MOST_UNSURE_PART = 0.25
#: Chance that a file of good coupons has one asked about, for lengths and each kind of diameter.
STANDING_OUT = 0.01
#: A line is called wrong only where a right one would look so in fewer than 1 of 100 calibrations:
#: two questions are put to the lengths, and good coupons are not to be built twice in vain.
CERTAIN = 0.01
#: A bend this small, as part of the tolerance, is no matter although it may be significant.
SMALL_BEND_PART = 0.1


@dataclass(frozen=True)
class Suspect:
    """A coupon far from what the others say.

    Args:
        what: "length", "bore", "pin" or "ball".
        off_mm: Measured less fitted from the others.
        p: Chance of one so far off among all of them.
    """

    name: str
    what: str
    off_mm: float
    p: float


def suspects(coupons: Sequence[Coupon], present: Compensation) -> tuple[Suspect, ...]:
    """Name coupons that are far from what all the others say.

    Formula: externally studentised residual t = r / (s₍ᵢ₎ √(1 − h)), with s₍ᵢ₎ from the others;
    a coupon is named where n · P(|t|) is below 1 %, for n coupons (Bonferroni).

    Returns:
        Those to look at; none of them is left out.

    Source: R. D. Cook and S. Weisberg, Residuals and Influence in Regression (1982), 2.2 (from
    memory).
    """
    found = [
        Suspect(coupons[i].name, "length", off, p)
        for i, off, p in _studentised(fit_lengths(coupons, present).fit)
    ]
    for kind in DIAMETERS:
        own = [coupon for coupon in coupons if kind in coupon.diameters]
        if len(own) >= LEAST_DIAMETERS:
            sizes = [coupon.diameters[kind] for coupon in own]
            fit = fit_linear(
                [[1]] * len(own), [s.measured_mm - s.nominal_mm for s in sizes], intercept=True
            )
            found += [Suspect(own[i].name, kind, off, p) for i, off, p in _studentised(fit)]
    return tuple(found)


def _studentised(fit: Fit) -> Iterable[tuple[int, float, float]]:
    count = len(fit.residuals)
    for index, (residual, leverage) in enumerate(zip(fit.residuals, fit.leverages, strict=True)):
        free = 1 - leverage
        others = fit.residual_ss - residual**2 / free
        if fit.dof < 2 or others <= 1e-12 * fit.residual_ss:
            continue
        t = residual / math.sqrt(others / (fit.dof - 1) * free)
        p = min(1.0, count * t_tail(t, fit.dof - 1))
        if p < STANDING_OUT:
            yield index, residual / free, p


def too_few(coupons: Collection[Coupon]) -> tuple[Finding, ...]:
    """Tell what coupons lack before anything can be fitted.

    Returns:
        Refusals, each with what to build besides.
    """
    lengths = {coupon.nominal_mm for coupon in coupons}
    measured = {coupon.measured_mm for coupon in coupons}
    span = max(lengths) - min(lengths) if lengths else Decimal(0)
    repeats = len(coupons) - len(lengths)
    found = []
    if len(lengths) < LEAST_LENGTHS:
        found.append(refused(
            "too_few_lengths",
            f"the coupons have {counted(len(lengths), 'different length')}; a line through fewer "
            f"than {LEAST_LENGTHS} shows no bend: build coupons of {LEAST_LENGTHS} lengths or more",
        ))
    if len(coupons) < LEAST_COUPONS or repeats < LEAST_REPEATS:
        exchanged = repeats < LEAST_REPEATS <= len(coupons) - len(measured)
        found.append(refused(
            "too_few_coupons",
            f"{counted(len(coupons), 'coupon')} of {counted(len(lengths), 'length')}: too few to "
            f"separate a wrong scale from scatter; build {LEAST_COUPONS} coupons or more, "
            f"{LEAST_REPEATS} of them or more repeating a length, best several at each length"
            + "; the measured lengths repeat instead: are the columns exchanged?" * exchanged,
        ))
    if span < LEAST_RANGE_MM:
        found.append(refused(
            "too_narrow",
            f"the coupons' lengths span {plain(span)} mm; a scale from less than {LEAST_RANGE_MM} "
            "mm is a guess: build coupons from the shortest to the longest rod that you make",
        ))
    return tuple(found)


def limits_of_use(fit: LengthFit, tolerance_mm: Decimal | None) -> tuple[Finding, ...]:
    """Hold a fit against what it is to serve.

    Args:
        tolerance_mm: Tolerance of the rods' length, ±; None for ISO 2768-1 class f at each length.
    """
    if not fit.fit.residual_ss or (fit.lack and not fit.lack.pure_ss):
        return (refused(
            "no_scatter",
            "coupons that repeat a length agree to the last digit, which measurements do not: the "
            "values are computed, or the gauge is too coarse; measure with a finer gauge",
        ),)
    ends = (fit.shortest_mm, fit.longest_mm)
    tolerances = [tolerance_mm or linear_tolerance("f", end) for end in ends]
    found = [*_coarse(fit, min(tolerances))]
    for end, tolerance in zip(ends, tolerances, strict=True):
        half, allowed = fit.half_width_mm(float(end)), MOST_UNSURE_PART * float(tolerance)
        if half > allowed:
            found.append(refused(
                "too_unsure",
                f"at {plain(end)} mm the built length is known to ± {half:.3f} mm (95 %), which is "
                f"more than a quarter of the tolerance ± {plain(tolerance)} mm ({allowed:.3f} mm); "
                "build more coupons, the more so at both ends of the range, or make and measure "
                "them with less scatter",
            ))
    return (*found, *_bent(fit, float(min(tolerances))))


def _coarse(fit: LengthFit, tolerance_mm: Decimal) -> Iterable[Finding]:
    """Refuse steps of the gauge that the scatter does not even out.

    Where single lengths scatter by less than half a step, all coupons of a length may be rounded
    the same way, by up to half a step, and no test on the coupons shows it.
    """
    step = _step([value for coupon in fit.coupons for value in coupon.read_mm])
    hidden = step / 2
    if fit.fit.residual_sd < hidden and hidden > Decimal(str(MOST_UNSURE_PART)) * tolerance_mm:
        yield refused(
            "coarse_steps",
            f"the readings come in steps of {plain(step)} mm and scatter by less than half of "
            f"that, so that each length may be rounded off by up to {plain(hidden)} mm unseen, "
            f"more than a quarter of the tolerance ± {plain(tolerance_mm)} mm; measure with a "
            "finer gauge",
        )


def _step(values: Sequence[Decimal]) -> Decimal:
    """Give the widest step of which all values are multiples; 0 without values.

    >>> _step([Decimal("30.05"), Decimal("29.9"), Decimal("40.15")])
    Decimal('0.05')
    """
    if not values:
        return Decimal(0)
    finest = min(int(value.as_tuple().exponent) for value in values)
    return Decimal(math.gcd(*(int(value.scaleb(-finest)) for value in values))).scaleb(finest)


def _bent(fit: LengthFit, tolerance_mm: float) -> Iterable[Finding]:
    """Say what a line misses: refused where it is certain and matters, else noted."""
    asked = {
        "the means of the lengths lie off the line": fit.lack.p if fit.lack else 1.0,
        "the line is bent": fit.bend.p,
    }
    bad = {words: p for words, p in asked.items() if p < SIGNIFICANT}
    if not bad:
        return
    words = (
        f"{' and '.join(bad)} by more than the coupons' scatter explains, up to "
        f"{fit.bend_mm:.3f} mm"
    )
    tenth = f"a tenth of the tolerance ± {plain(tolerance_mm)} mm"
    if fit.bend_mm <= SMALL_BEND_PART * tolerance_mm:
        yield note("lack_of_fit", f"{words}; that is under {tenth} and left as it is")
    elif min(bad.values()) < CERTAIN:
        yield refused(
            "lack_of_fit",
            f"{words}, which is over {tenth}: scale and offset do not describe this process; look "
            "for a cause that goes with the length (place on the bed, direction, one build a "
            "length), or calibrate a shorter range",
        )
    else:
        yield note(
            "lack_of_fit",
            f"{words}, which is over {tenth}; a straight line looks so in up to 5 of 100 "
            "calibrations, so that it is left as it is: build more coupons to be sure",
        )
