"""The report of a calibration: what was found, how well, and each coupon."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from decimal import Decimal
from functools import partial

from labkit.core.findings import Finding
from labkit.core.report import Column, On, Report, Section, Table
from labkit.core.rod.calibration import Calibration
from labkit.core.rod.rods import Process
from labkit.documents.charts.calibration import length_chart
from labkit.documents.charts.canvas import plot
from labkit.documents.figures import chance, fixed, signed
from labkit.qa.least_squares import LackOfFit
from labkit.qa.process.calibration import Comparison, LengthFit
from labkit.qa.process.coupons import DIAMETERS
from labkit.qa.uncertainty import coverage_factor
from labkit.units import plain

_BUILT_NOTES = (
    "What to build so that the length comes out, and how well that is known from the coupons "
    "(95 %). The last column is what the coupons show with the compensation before."
)
_FOUND_NOTES = (
    "Built length = scale · nominal length + offset; built diameter = nominal diameter + offset. "
    "Scale and offset belong together: what counts is the built length, below."
)
_TEST_NOTES = (
    "Each is answered yes where so large a ratio F would come by chance in fewer than 5 of 100 "
    "calibrations."
)
_three, _off = partial(fixed, decimals=3), partial(signed, decimals=3)


def calibration_report(
    process: Process,
    base: Process,
    fit: LengthFit,
    findings: tuple[Finding, ...],
    standing_out: Collection[str],
    left_out: Sequence[str],
) -> Report:
    """Make the report.

    Args:
        standing_out: Names of the coupons that stand out and were kept.
        left_out: Names of those that do not count.
    """
    own = process.calibration
    assert own is not None
    coupons = _coupon_table(fit, standing_out)
    return Report(
        title="Calibration of a process",
        subtitle=f"{process.title} ({process.name})",
        facts=tuple(_facts(process, own)),
        findings=findings,
        sections=(
            Section(
                "What was found", table=_result_table(own, base), notes=(_FOUND_NOTES,),
                brief=f"Calibration of {base.name}: {own.coupons} coupons of {own.lengths} "
                f"lengths, {plain(own.shortest_mm)} to {plain(own.longest_mm)} mm",
            ),
            Section("", (_scatter(own, fit),), findings=findings, on=On.SCREEN),
            Section("Built length", table=_built_table(own, fit), notes=(_BUILT_NOTES,),
                    on=On.PAPER),
            Section("Coupons and line", on=On.PAPER, plot=plot(
                "lengths", lambda: length_chart(fit, standing_out),
                "Measured minus built length over the length with the fitted line, and below the "
                "distance of each coupon from the line",
            )),
            Section("Questions put to the coupons", table=_test_table(fit), notes=(_TEST_NOTES,),
                    on=On.PAPER),
            Section("Coupons", table=coupons, on=On.PAPER),
        ),
        data={
            "schema": 1,
            "process": process.name,
            "base": base.name,
            "compensation": process.compensation,
            "calibration": own,
            "half_width_95": _half_widths(own, fit),
            "tests": {
                "lack_of_fit": fit.lack,
                "bend": fit.bend,
                "distortion": fit.distortion,
                "correction": fit.correction,
            },
            "coupons": coupons.records,
            "left_out": left_out,
        },
        date=own.date.isoformat(),
        name="calibration",
    )


def _facts(process: Process, own: Calibration) -> Iterator[tuple[str, str]]:
    yield "Machine", process.machine
    yield "Material", process.material
    yield "Coupons", f"{own.coupons} of {own.lengths} lengths, built with {own.base}"
    yield "Valid", f"{plain(own.shortest_mm)} to {plain(own.longest_mm)} mm"
    yield "Scatter", f"{own.residual_sd_mm:.4f} mm (standard deviation of one length)"
    yield "Measured with", own.instrument
    yield "By", own.by
    yield "Readings", f"{own.source}, SHA-256 {own.source_sha256[:16]}…"


def _scatter(own: Calibration, fit: LengthFit) -> str:
    return (
        f"A single length scatters by {own.residual_sd_mm:.4f} mm (standard deviation, "
        f"{own.residual_dof} degrees of freedom); the built length is known to ± "
        f"{fit.half_width_mm(own.shortest_mm):.3f} mm at {plain(own.shortest_mm)} mm and ± "
        f"{fit.half_width_mm(own.longest_mm):.3f} mm at {plain(own.longest_mm)} mm (95 %)."
    )


def _half_widths(own: Calibration, fit: LengthFit) -> dict[str, float]:
    t = coverage_factor(fit.fit.dof)
    return {
        "length_scale": t * fit.scale_u,
        "length_offset_mm": t * fit.offset_u_mm,
        "shortest_mm": fit.half_width_mm(own.shortest_mm),
        "longest_mm": fit.half_width_mm(own.longest_mm),
        **{
            f"{kind}_offset_mm": coverage_factor(found.dof) * found.u_mm
            for kind in DIAMETERS
            if (found := getattr(own, kind)) is not None
        },
    }


def _result_table(own: Calibration, base: Process) -> Table:
    t, before = coverage_factor(own.residual_dof), base.compensation
    rows = [
        (
            "length scale", f"{own.length_scale:.6f}", f"{t * own.length_scale_u:.6f}",
            f"{own.length_scale_u:.6f}", f"{before.length_scale:.6f}",
        ),
        _offset_row(
            "length", own.length_offset_mm, t, own.length_offset_u_mm, before.length_offset_mm
        ),
    ]
    for kind in DIAMETERS:
        found = getattr(own, kind)
        if found is not None:
            old, k = getattr(before, f"{kind}_offset_mm"), coverage_factor(found.dof)
            rows.append(_offset_row(kind, found.offset_mm, k, found.u_mm, old))
    columns = (
        *map(Column, ("", "value", "± 95 %")), Column("standard uncertainty", on=On.PAPER),
        Column("before"),
    )
    return Table(columns, tuple(rows))


def _offset_row(
    what: str, offset_mm: float, t: float, u_mm: float, before_mm: float
) -> tuple[str, str, str, str, str]:
    return (
        f"{what} offset, mm", signed(offset_mm, 4), f"{t * u_mm:.4f}", f"{u_mm:.4f}",
        signed(before_mm, 4),
    )


def _built_table(own: Calibration, fit: LengthFit) -> Table:
    groups: dict[Decimal, list[float]] = defaultdict(list)
    for each in fit.coupons:
        groups[each.nominal_mm].append(float(each.measured_mm - each.nominal_mm))
    columns = (
        Column("length", lambda one: one, show=plain, unit="mm"),
        Column("to build", lambda one: own.length_scale * float(one) + own.length_offset_mm,
               show=_three, unit="mm"),
        Column("± 95 %", lambda one: fit.half_width_mm(float(one)), show=_three, unit="mm"),
        Column("coupons", lambda one: len(groups[one])),
        Column("off nominal before", lambda one: sum(groups[one]) / len(groups[one]), show=_off,
               unit="mm"),
    )
    return Table.of(columns, sorted(groups))


def _test_table(fit: LengthFit) -> Table:
    heads = ("question", "F", "degrees of freedom", "by chance", "answer")
    rows = (
        _asked("do the means of the lengths lie off the line?", fit.lack),
        _asked("is the line bent?", fit.bend),
        _asked("does the machine distort (measured is not what was built)?", fit.distortion),
        _asked("was the compensation before wrong (measured is not nominal)?", fit.correction),
    )
    return Table(tuple(map(Column, heads)), rows)


def _asked(words: str, test: Comparison | LackOfFit | None) -> tuple[str, ...]:
    if test is None:
        return (words, "–", "–", "–", "not known")
    dof = (
        (test.lack_dof, test.pure_dof) if isinstance(test, LackOfFit) else (test.dof1, test.dof2)
    )
    answer = "yes" if test.p < 0.05 else "no"
    return (words, f"{test.f:.2f}", f"{dof[0]}, {dof[1]}", chance(test.p), answer)


#: Of a coupon, what was built, its distance from the line, and whether it stands out.
_COUPON = (
    Column("coupon", lambda one: one[0].name, "coupon"),
    Column("nominal", lambda one: one[0].nominal_mm, "nominal_mm", plain, "mm"),
    Column("built", lambda one: one[1], "built_mm", _three, "mm"),
    Column("measured", lambda one: one[0].measured_mm, "measured_mm", _three, "mm"),
    Column("off the line", lambda one: one[2], "residual_mm", _off, "mm"),
    Column("", lambda one: one[3], "stands_out", lambda out: "far off, kept" if out else ""),
)


def _coupon_table(fit: LengthFit, standing_out: Collection[str]) -> Table:
    rows = zip(fit.coupons, fit.built_mm, fit.fit.residuals, strict=True)
    return Table.of(_COUPON, [
        (coupon, built, residual, coupon.name in standing_out) for coupon, built, residual in rows
    ])
