"""The decision on one rod: its length against its tolerance, its label, its fittings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.findings import Finding, refusals, refused
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method, Role, Way
from labkit.qa.decision.conformance import Decision, Result, decide
from labkit.qa.decision.readings import Expected, RodReadings, same_label
from labkit.qa.decision.scatter import range_limit_mm
from labkit.qa.uncertainty import Budget, resolution
from labkit.units import millimetres, plain

#: Problems that show that a rod is wrong; the others only hold it until it is measured again.
_PROVEN = {"label_read", "fittings", "fittings_scanned", "look", "verdict"}
#: What says that the length of a scan informs and decides nothing.
INFORMS = "scan_informs"


@dataclass(frozen=True)
class MeasuredRod:
    """One rod as measured, and what that proves.

    Args:
        way: Way of measuring, None for a scan.
        length_mm: Functional length: the mean of the readings less the way's shift.
        problems: What keeps the rod back beside its length; empty where nothing does.
    """

    expected: Expected
    readings: RodReadings
    way: Way | None
    length_mm: float
    budget: Budget
    decision: Decision
    problems: tuple[Finding, ...] = ()

    @property
    def identifier(self) -> str:
        """Ten digits of the rod."""
        return self.expected.identifier

    @property
    def conforms(self) -> bool:
        """Whether the length conforms and nothing else keeps the rod back."""
        return self.result is Result.CONFORMS

    @property
    def result(self) -> Result:
        """The decision on the rod as a whole: its length, its label, its fittings."""
        found = {finding.code for finding in refusals(self.problems)}
        if found & _PROVEN:
            return Result.NOT_CONFORMING
        if self.decision.result is Result.NOT_CONFORMING and INFORMS not in found:
            return Result.NOT_CONFORMING
        return Result.UNDECIDED if found else self.decision.result

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty of the length, mm."""
        return self.budget.combined_mm

    @property
    def deviation_mm(self) -> float:
        """Measured length less the length asked for, mm."""
        return self.length_mm - float(self.expected.length_mm)


#: A rod as inspected: measured, or only looked at.
Inspected = MeasuredRod | RodReadings


def readings_of(one: Inspected) -> RodReadings:
    """Give what was read on a rod, whether it was measured or only looked at."""
    return one.readings if isinstance(one, MeasuredRod) else one


def judge_rod(
    expected: Expected, readings: RodReadings, way: Way | None, measured: tuple[float, Budget],
    sd_mm: float = 0.0,
) -> MeasuredRod:
    """Decide on one rod.

    Args:
        way: Way of measuring, None for a scan.
        measured: Functional length, mm, and its uncertainty.
        sd_mm: Standard deviation of one reading by hand; see `reading_sd_mm`.

    Source: ISO 14253-1:2017, 5 (see `labkit.qa.decision.conformance`).
    """
    length, budget = measured
    decision = decide(
        length, budget.combined_mm, float(expected.lower_mm), float(expected.upper_mm),
        dof=budget.effective_dof,
    )
    problems = (
        *look_problems(expected, readings),
        *_scan_problems(expected, readings),
        *(() if way else _informs(expected, readings.instrument)),
        *(_reading_problems(expected, readings, way, sd_mm) if way else ()),
    )
    return MeasuredRod(expected, readings, way, length, budget, decision, problems)


def reading_sd_mm(instrument: Instrument | None, gauge_uncertainty_mm: float, way: Way) -> float:
    """Give the standard deviation of one reading, by which readings of one rod may scatter.

    Formula: √(s² + δ²/12), repeatability s and resolution δ; times √½ for a half-sum and √1.5 for
    a reading less two half diameters. Without an instrument the gauge's standard uncertainty, which
    is never smaller.

    Args:
        instrument: What is measured with, None for the process's usual gauge.
    """
    if instrument is None:
        return gauge_uncertainty_mm
    factor = {Method.HALF_SUM: math.sqrt(0.5), Method.OVER_LESS_OWN: math.sqrt(1.5)}
    one = math.hypot(instrument.repeatability_mm, resolution(instrument.resolution_mm))
    return one * factor.get(way.method, 1.0)


def look_problems(expected: Expected, readings: RodReadings) -> Iterator[Finding]:
    """Find what keeps a rod back whatever its length is."""
    name = expected.name
    label = readings.label_read
    if label is not None and not same_label(label, expected):
        yield refused(
            "label_read",
            f'{name}: the label read from the rod is "{label}", but it should be '
            f"{expected.engraved}; keep the rod back, and check whether it lies in the wrong bag",
            name,
        )
    if readings.fittings is False:
        yield refused(
            "fittings", f"{name}: a fitting is not within its limits; reject the rod", name
        )
    if readings.look:
        yield refused(
            "look", f"{name}: the rod is not {' and not '.join(readings.look)}; reject the rod",
            name,
        )
    if readings.verdict not in (None, str(Result.CONFORMS)):
        proven = readings.verdict == Result.NOT_CONFORMING
        yield refused(
            "verdict" if proven else "verdict_open",
            f"{name}: whoever inspected it says that the rod "
            f"{'does not conform' if proven else 'is undecided'}; ask why, and "
            f"{'reject it' if proven else 'measure it again'}",
            name,
        )


def _scan_problems(expected: Expected, readings: RodReadings) -> Iterator[Finding]:
    """Find fittings whose diameter, as scanned, lies beyond its limits with 95 %."""
    for fault in (readings.scan or {}).get("faults", ()):
        yield refused("scan_fault", f"{expected.name}: on the scan, {fault}", expected.name)
    tool = readings.instrument
    for end in ("lower", "upper"):
        seen = (readings.scan or {}).get(end) or {}
        if not seen.get("least_mm") or not seen.get("most_mm"):
            continue
        # A form error longer than a bore changes its radius by all of itself.
        own = (tool.calibration_mm, tool.repeatability_mm, 2.0 * (tool.form_mm or 0.0)) if (
            tool
        ) else ()
        low, high = float(seen["least_mm"]), float(seen["most_mm"])
        decided = decide(seen["diameter_mm"], math.hypot(seen["u_mm"], *own), low, high)
        if decided.result is Result.NOT_CONFORMING:
            yield refused(
                "fittings_scanned" if tool and tool.decides_by_scan else "fittings_open",
                f"{expected.name}: the {end} {seen['kind']} measures "
                f"{millimetres(seen['diameter_mm'], 3)} mm on the scan, beyond its limits "
                f"{seen['least_mm']} to {seen['most_mm']} mm; check it with a gauge, or reject "
                "the rod",
                expected.name,
            )


def _informs(expected: Expected, scanner: Instrument | None) -> Iterator[Finding]:
    """Find why the length of a scan decides nothing."""
    if scanner is None or not scanner.decides_by_scan:
        without = "a named scanner" if scanner is None else f"the form error of {scanner.name}"
        yield refused(
            INFORMS,
            f"{expected.name}: a scan without {without} informs and decides nothing; name a "
            "scanner that states its form error, or measure the rod by hand",
            expected.name,
        )


def _reading_problems(
    expected: Expected, readings: RodReadings, way: Way, sd_mm: float
) -> Iterator[Finding]:
    """Find why readings decide nothing."""
    name = expected.name
    if way.role is Role.CHECK:
        yield refused(
            "check_only",
            f'{name}: measured "{way.method}" ({way.title}), which finds gross errors and decides '
            "nothing; measure it in a way that decides",
            name,
        )
    if scatter := scatters(readings.readings_mm, sd_mm):
        yield refused("scatter", f"{name}: {scatter}; clean rod and gauge, measure again", name)


def scatters(readings_mm: tuple[Decimal, ...], sd_mm: float) -> str:
    """Tell whether readings of one rod lie too far apart: an outlier or a slip.

    The test: the range of n readings against the range that n normal readings with the gauge's
    repeatability exceed once in a thousand rods.

    Returns:
        A sentence without its end; empty where they agree.

    >>> scatters((Decimal("36.08"), Decimal("36.09"), Decimal("36.18")), 0.01)[:50]
    'its readings 36.08, 36.09, 36.18 differ by 0.1 mm;'
    """
    if len(readings_mm) < 2:
        return ""
    width, limit = max(readings_mm) - min(readings_mm), range_limit_mm(sd_mm, len(readings_mm))
    if float(width) <= limit:
        return ""
    listed = ", ".join(str(reading) for reading in readings_mm)
    return (
        f"its readings {listed} differ by {plain(width)} mm; with this gauge they differ by more "
        f"than {millimetres(limit, 3)} mm on only one rod in a thousand"
    )
