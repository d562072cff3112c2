"""The report of a calibration: what was found, how well, and each coupon."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from labkit.core.findings import Finding
from labkit.core.rod.calibration import Calibration
from labkit.core.rod.rods import Process
from labkit.documents.charts.calibration import length_chart
from labkit.documents.charts.canvas import png_of, svg_of
from labkit.documents.figures import sentence, signed
from labkit.documents.process_report import Report, Section
from labkit.qa.least_squares import LackOfFit, t_factor
from labkit.qa.process.calibration import Comparison, LengthFit
from labkit.qa.process.coupons import DIAMETERS
from labkit.units import plain

_CHART = "lengths"


def result_rows(own: Calibration, base: Process) -> list[tuple[str, str, str, str, str]]:
    """Give the found values as texts: for the report and the screen.

    Returns:
        Rows: what, value, ± of its 95 % interval, standard uncertainty, value before.
    """
    t, before = t_factor(own.residual_dof), base.compensation
    rows = [
        (
            "length scale", f"{own.length_scale:.6f}", f"{t * own.length_scale_u:.6f}",
            f"{own.length_scale_u:.6f}", f"{before.length_scale:.6f}",
        ),
        (
            "length offset, mm", signed(own.length_offset_mm, 4),
            f"{t * own.length_offset_u_mm:.4f}", f"{own.length_offset_u_mm:.4f}",
            signed(before.length_offset_mm, 4),
        ),
    ]  # fmt: skip
    for kind in DIAMETERS:
        found = getattr(own, kind)
        if found is not None:
            rows.append((
                f"{kind} offset, mm", signed(found.offset_mm, 4),
                f"{t_factor(found.dof) * found.u_mm:.4f}", f"{found.u_mm:.4f}",
                signed(getattr(before, f"{kind}_offset_mm"), 4),
            ))  # fmt: skip
    return rows


def calibration_report(
    process: Process,
    base: Process,
    fit: LengthFit,
    findings: Sequence[Finding],
    standing_out: Collection[str],
) -> Report:
    """Make the report.

    Returns:
        The report with its chart as SVG and PNG.
    """
    own = process.calibration
    assert own is not None
    figure = length_chart(fit, standing_out)
    return Report(
        title="Calibration of a process",
        subtitle=f"{process.title} ({process.name})",
        facts=_facts(process, own),
        sections=(
            Section(
                "What was found",
                (
                    "Built length = scale · nominal length + offset; built diameter = nominal "
                    "diameter + offset. Scale and offset belong together: what counts is the built "
                    "length, below.",
                ),
                ("", "value", "± 95 %", "standard uncertainty", "before"),
                tuple(result_rows(own, base)),
            ),
            _built(own, fit),
            Section(
                "Coupons and line",
                picture=f"{_CHART}.svg",
                alt="Measured less built length over the length with the fitted line, and below "
                "the distance of each coupon from the line",
            ),
            _tests(fit),
            _coupons(fit, standing_out),
        ),
        findings=tuple(sentence(finding.message) for finding in findings),
        pictures={f"{_CHART}.svg": svg_of(figure), f"{_CHART}.png": png_of(figure)},
        date=own.date.isoformat(),
        name="calibration",
    )


def _facts(process: Process, own: Calibration) -> tuple[tuple[str, str], ...]:
    return (
        ("Machine", process.machine),
        ("Material", process.material),
        ("Coupons", f"{own.coupons} of {own.lengths} lengths, built with {own.base}"),
        ("Valid", f"{plain(own.shortest_mm)} to {plain(own.longest_mm)} mm"),
        ("Scatter", f"{own.residual_sd_mm:.4f} mm (standard deviation of one length)"),
        ("Measured with", own.instrument),
        ("By", own.by),
        ("Readings", f"{own.source}, SHA-256 {own.source_sha256[:16]}…"),
    )


def _built(own: Calibration, fit: LengthFit) -> Section:
    lengths = sorted({coupon.nominal_mm for coupon in fit.coupons})
    rows = []
    for length in lengths:
        group = [
            float(c.measured_mm - c.nominal_mm) for c in fit.coupons if c.nominal_mm == length
        ]
        built = own.length_scale * float(length) + own.length_offset_mm
        rows.append((
            plain(length), f"{built:.3f}", f"{fit.half_width_mm(float(length)):.3f}",
            str(len(group)), signed(sum(group) / len(group), 3),
        ))  # fmt: skip
    return Section(
        "Built length",
        ("What to build so that the length comes out, and how well that is known from the coupons "
         "(95 %). The last column is what the coupons show with the compensation before.",),
        ("length, mm", "to build, mm", "± 95 %, mm", "coupons", "off nominal before, mm"),
        tuple(rows),
    )  # fmt: skip


def _tests(fit: LengthFit) -> Section:
    return Section(
        "Questions put to the coupons",
        ("Each is answered yes where so large a ratio F would come by chance in fewer than 5 of "
         "100 calibrations.",),
        ("question", "F", "degrees of freedom", "by chance", "answer"),
        (
            _asked("do the means of the lengths lie off the line?", fit.lack),
            _asked("is the line bent?", fit.bend),
            _asked("does the machine distort (measured is not what was built)?", fit.distortion),
            _asked("was the compensation before wrong (measured is not nominal)?", fit.correction),
        ),
    )  # fmt: skip


def _asked(words: str, test: Comparison | LackOfFit | None) -> tuple[str, ...]:
    if test is None:
        return (words, "–", "–", "–", "not known")
    dof = (
        (test.lack_dof, test.pure_dof) if isinstance(test, LackOfFit) else (test.dof1, test.dof2)
    )
    chance = "< 0.001" if test.p < 0.001 else f"{test.p:.3f}"
    return (words, f"{test.f:.2f}", f"{dof[0]}, {dof[1]}", chance, "yes" if test.p < 0.05 else "no")


def _coupons(fit: LengthFit, standing_out: Collection[str]) -> Section:
    rows = zip(fit.coupons, fit.built_mm, fit.fit.residuals, strict=True)
    return Section(
        "Coupons",
        (),
        ("coupon", "nominal, mm", "built, mm", "measured, mm", "off the line, mm", ""),
        tuple(
            (
                coupon.name, plain(coupon.nominal_mm), f"{built:.3f}",
                f"{coupon.measured_mm:.3f}", signed(residual, 3),
                "stands out, kept" if coupon.name in standing_out else "",
            )
            for coupon, built, residual in rows
        ),
    )  # fmt: skip
