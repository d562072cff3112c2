"""What to know about a calibration: sentences beside its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from labkit.core.findings import Finding, note
from labkit.core.rod.calibration import FittedOffset
from labkit.core.rod.rods import Process
from labkit.core.rod.tolerances import linear_tolerance
from labkit.documents.figures import signed
from labkit.qa.least_squares import t_tail
from labkit.qa.process.calibration import LengthFit, between_lots
from labkit.qa.process.calibration_limits import LEAST_DIAMETERS
from labkit.qa.uncertainty import coverage_factor
from labkit.units import counted


def notes(
    fit: LengthFit, offsets: Mapping[str, FittedOffset | None], base: Process, gauge_u_mm: float
) -> Iterator[Finding]:
    """Give what a calibration does not say by its numbers alone.

    Args:
        gauge_u_mm: Standard uncertainty that all readings share.
    """
    yield note("what_the_machine_does", _distortion(fit))
    yield note("present_compensation", _correction(fit, base))
    yield note(
        "gauge_not_contained",
        f"an error that the gauge makes on every coupon goes into the offset unseen and is not in "
        f"its interval: ± {2 * gauge_u_mm:.3f} mm (two standard uncertainties)",
    )
    yield from _scatter(fit)
    yield from _lots(fit)
    kept = [kind for kind, found in offsets.items() if found is None]
    if kept:
        yield note(
            "offsets_kept",
            f"not found from the coupons, as in {base.name}: offset of {', '.join(kept)}",
        )
    yield from _diameters(fit, offsets)


def _distortion(fit: LengthFit) -> str:
    (a, b), (ua, ub) = fit.fit.coefficients, fit.fit.standard_deviations
    if not fit.distortion.significant:
        return (
            "the machine builds true within the coupons' scatter: scale and offset together do "
            "not differ significantly from 1 and 0; they are kept as fitted all the same, as the "
            "best known"
        )
    single = [
        f"{name} {'differs' if t_tail(t, fit.fit.dof) < 0.05 else 'does not differ'} from {none}"
        for name, t, none in (("scale", (b - 1) / ub, "1"), ("offset", a / ua, "0"))
    ]
    return (
        "the machine does not build true: measured and built lengths differ by more than the "
        f"coupons' scatter (taken alone, the {' and the '.join(single)} significantly; both are "
        "kept as fitted, since they belong together)"
    )


def _correction(fit: LengthFit, base: Process) -> str:
    off = [float(c.measured_mm - c.nominal_mm) for c in fit.coupons]
    mean = sum(off) / len(off)
    if fit.correction.significant:
        return (
            f"with the compensation of {base.name} coupons come out {signed(mean, 3)} mm off their "
            "nominal on average: the new compensation is a real change"
        )
    return (
        f"the compensation of {base.name} still serves within the coupons' scatter (mean off "
        f"nominal {signed(mean, 3)} mm); the new one is known more precisely"
    )


def _scatter(fit: LengthFit) -> Iterator[Finding]:
    tolerance = float(linear_tolerance("f", fit.shortest_mm))
    reach = coverage_factor(fit.fit.dof, 0.9973) * fit.fit.residual_sd
    if reach > tolerance:
        yield note(
            "scatter_too_wide",
            f"single rods scatter by {fit.fit.residual_sd:.3f} mm (standard deviation): more than "
            f"3 of 1000 will miss a tolerance of ± {tolerance:g} mm whatever the compensation",
        )


def _lots(fit: LengthFit) -> Iterator[Finding]:
    test = between_lots(fit)
    count = len({coupon.lot for coupon in fit.coupons})
    if count < 2:
        return
    if test is None:
        words = "which differences come from the lot cannot be seen from these coupons"
    elif test.significant:
        words = (
            "their lengths differ beyond the scatter within them, so that a new lot may need a new "
            "calibration"
        )
    else:
        words = "their lengths do not differ beyond the scatter within them"
    yield note("lots", f"the coupons are of {count} lots: {words}")


def _diameters(fit: LengthFit, offsets: Mapping[str, FittedOffset | None]) -> Iterator[Finding]:
    for kind, found in offsets.items():
        measured = sum(kind in coupon.diameters for coupon in fit.coupons)
        if found is None and measured:
            yield note(
                "too_few_diameters",
                f"only {counted(measured, f'{kind} diameter')} measured; fewer than "
                f"{LEAST_DIAMETERS} say too little, so that the {kind} offset stays as it was",
            )
        elif found is not None and not found.sd_mm:
            yield note(
                "alike_diameters",
                f"all {counted(measured, f'{kind} diameter')} are off by the same to the last "
                f"digit, which shows the step of the gauge and not the scatter: the {kind} offset "
                "is known to half of that step and not to the ± 0 that is printed",
            )
