"""From measured coupons to a process's compensation, with its uncertainty and its limits."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from labkit.core.rod.calibration import FittedOffset, line_u_mm
from labkit.core.rod.rods import Compensation
from labkit.errors import InputError
from labkit.qa.least_squares import (
    Fit,
    LackOfFit,
    Value,
    f_tail,
    fit_line,
    fit_linear,
    lack_of_fit,
)
from labkit.qa.process.coupons import Coupon
from labkit.qa.uncertainty import coverage_factor

#: Chance of a false alarm in each of the tests.
SIGNIFICANT = 0.05


@dataclass(frozen=True)
class Comparison:
    """One question put to the coupons.

    Args:
        p: Chance of so large a ratio where the answer is no.
    """

    f: float
    dof1: int
    dof2: int
    p: float

    @property
    def significant(self) -> bool:
        """Whether the answer is yes at the level of 5 %."""
        return self.p < SIGNIFICANT


@dataclass(frozen=True)
class LengthFit:
    """The straight line: measured = intercept + slope · built, and what follows from it.

    Args:
        built_mm: What was built for each.
        scale, offset_mm: New compensation: built = scale · nominal + offset.
        scale_u, offset_u_mm: Their standard uncertainties.
        lack: Test of the line against the scatter of repeated lengths.
        bend: Test of a square term.
        bend_mm: Greatest distance of a length's mean from the line.
        distortion: Test of measured = built: whether the machine distorts at all.
        correction: Test of measured = nominal: whether the present compensation is off.
    """

    coupons: tuple[Coupon, ...]
    built_mm: tuple[Decimal, ...]
    fit: Fit
    scale: float
    offset_mm: float
    scale_u: float
    offset_u_mm: float
    correlation: float
    lack: LackOfFit | None
    bend: Comparison
    bend_mm: float
    distortion: Comparison
    correction: Comparison

    @property
    def shortest_mm(self) -> Decimal:
        """Shortest nominal length of a coupon."""
        return min(coupon.nominal_mm for coupon in self.coupons)

    @property
    def longest_mm(self) -> Decimal:
        """Longest nominal length of a coupon."""
        return max(coupon.nominal_mm for coupon in self.coupons)

    def built_u_mm(self, length_mm: float) -> float:
        """Standard uncertainty of scale · length + offset that comes from the fit, mm."""
        return line_u_mm(length_mm, self.scale_u, self.offset_u_mm, self.correlation)

    def half_width_mm(self, length_mm: float) -> float:
        """Half of the 95 % interval of the built length that comes out at a length, mm."""
        return coverage_factor(self.fit.dof) * self.built_u_mm(length_mm)


def fit_lengths(coupons: Sequence[Coupon], present: Compensation) -> LengthFit:
    """Fit what the process makes of lengths and turn it round.

    Formula: with the present compensation a coupon of nominal N was built as B = s₀ N + o₀ and
    measures M = a + b B + e. The built length that comes out at a length L is B = (L − a) / b, so
    that the new scale is 1/b and the new offset −a/b. Their covariance is J V Jᵀ with V that of
    (a, b) and J the derivatives ∂(1/b, −a/b)/∂(a, b) (first order; b is known to a part in a
    thousand, so that the next order is a millionth).

    Args:
        coupons: Coupons, at three lengths or more, built with the present compensation.

    Returns:
        The fit, the new compensation and the tests.

    Validity: scatter that does not depend on the length; coupons of one process.

    Raises:
        InputError: Too few coupons to fit anything.
    """
    scale0 = Decimal(repr(present.length_scale))
    offset0 = Decimal(repr(present.length_offset_mm))
    built = tuple(scale0 * coupon.nominal_mm + offset0 for coupon in coupons)
    measured = [coupon.measured_mm for coupon in coupons]
    fit = fit_line(built, measured)
    (a, b), ((vaa, vab), (_, vbb)) = fit.coefficients, fit.covariance
    var_scale, var_offset = vbb / b**4, vaa / b**2 - 2 * a * vab / b**3 + a * a * vbb / b**4
    covariance = vab / b**3 - a * vbb / b**4
    both = math.sqrt(var_scale * var_offset)
    nominal = [coupon.nominal_mm for coupon in coupons]
    return LengthFit(
        coupons=tuple(coupons), built_mm=built, fit=fit,
        scale=1 / b, offset_mm=-a / b,
        scale_u=math.sqrt(var_scale), offset_u_mm=math.sqrt(var_offset),
        correlation=covariance / both if both else 0.0,
        lack=lack_of_fit(nominal, measured, fit),
        bend=_bend(built, measured, fit), bend_mm=_bend_mm(coupons, fit),
        distortion=_whole_line(built, measured, fit),
        correction=_whole_line(nominal, measured, fit),
    )


def _bend(built: Sequence[Decimal], measured: Sequence[Decimal], line: Fit) -> Comparison:
    """Test a square term, about the middle."""
    middle = sum(built, Decimal(0)) / len(built)
    rows: list[list[Value]] = [[1, x, (x - middle) ** 2] for x in built]
    if line.dof < 2:
        return Comparison(0.0, 1, 1, 1.0)
    curve = fit_linear(rows, measured, intercept=True)
    return _compared(line.residual_ss, curve, 1)


def _whole_line(wanted: Sequence[Decimal], measured: Sequence[Decimal], fit: Fit) -> Comparison:
    """Test both coefficients together: whether measured is what was wanted."""
    ss = float(
        sum(((Fraction(m) - Fraction(w)) ** 2 for m, w in zip(measured, wanted, strict=True)),
            Fraction(0))
    )
    return _compared(ss, fit, 2)


def _compared(ss: float, fuller: Fit, more: int) -> Comparison:
    gained = max(0.0, ss - fuller.residual_ss)
    scatter = fuller.residual_ss / fuller.dof
    f = gained / more / scatter if scatter else (math.inf if gained else 0.0)
    return Comparison(f, more, fuller.dof, f_tail(f, more, fuller.dof))


def _bend_mm(coupons: Sequence[Coupon], fit: Fit) -> float:
    groups: dict[Decimal, list[float]] = defaultdict(list)
    for coupon, residual in zip(coupons, fit.residuals, strict=True):
        groups[coupon.nominal_mm].append(residual)
    return max(abs(math.fsum(group) / len(group)) for group in groups.values())


def fit_offset(sizes: Sequence[tuple[Decimal, Decimal]], present_mm: float) -> FittedOffset:
    """Find the offset of one kind of diameter.

    Formula: with the present offset o₀, a size N to be had (the middle of its limits) was built as
    N + o₀ and measures M; the new offset is o₀ − mean(M − N), its standard uncertainty s / √n. The
    offset is built less measured: one found for another N holds for this one.

    >>> sizes = [(Decimal("2.5"), Decimal(x)) for x in ("2.44", "2.46", "2.45", "2.45", "2.45")]
    >>> fit_offset(sizes, 0.02).offset_mm
    0.07
    """
    off = fit_linear([[1]] * len(sizes), [m - n for n, m in sizes], intercept=True)
    return FittedOffset(
        round(present_mm - off.coefficients[0], 12), off.standard_deviations[0], off.residual_sd,
        off.dof,
    )


def between_lots(fit: LengthFit) -> Comparison | None:
    """Test whether lots of material differ beyond the scatter within them.

    Args:
        fit: The fit; coupons that name no lot count as one of their own.

    Returns:
        The test, None where there is one lot or too few coupons.
    """
    lots = sorted({coupon.lot for coupon in fit.coupons})
    if len(lots) < 2 or fit.fit.dof - (len(lots) - 1) < 2:
        return None
    rows: list[list[Value]] = [
        [1, built, *(int(coupon.lot == lot) for lot in lots[1:])]
        for coupon, built in zip(fit.coupons, fit.built_mm, strict=True)
    ]
    try:
        fuller = fit_linear(rows, [coupon.measured_mm for coupon in fit.coupons], intercept=True)
    except InputError:  # each length has a lot of its own: what is of which cannot be told
        return None
    return _compared(fit.fit.residual_ss, fuller, len(lots) - 1)
