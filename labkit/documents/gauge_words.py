"""Tables of a gauge study in words, for the screen and the report alike."""

from __future__ import annotations

import math

from labkit.documents.figures import fixed
from labkit.qa.gauge.anova import Anova, Source
from labkit.qa.gauge.bias import Bias, Linearity
from labkit.qa.gauge.intervals import INTERVAL_METHOD
from labkit.qa.gauge.outcome import Outcome
from labkit.qa.gauge.ranges import RangeTable
from labkit.qa.gauge.result import SPREAD, GaugeResult, Range
from labkit.qa.least_squares import LackOfFit
from labkit.units import plain

Row = tuple[str, ...]

ANOVA_HEAD = ("source", "freedom", "sum, mm²", "mean, mm²", "F", "p")
RANGE_HEAD = ("read off the study", "value")
BIAS_HEAD = ("reference, mm", "readings", "bias, mm", "interval, mm", "sd, mm", "t", "p")
LINE_HEAD = ("line", "value", "interval", "p")
_NOT_KNOWN = "–"
#: Of lengths in mm: a tenth of a micrometre.
_DECIMALS = 4


def component_head(result: GaugeResult) -> Row:
    """Name the columns of the table of components."""
    head: Row = ("component", "sd, mm")
    if any(component.interval_mm for component in result.components):
        head = (*head, "interval, mm")
    head = (*head, "variance %", "spread %")
    return head if result.tolerance_mm is None else (*head, "tolerance %")


def component_rows(result: GaugeResult) -> tuple[Row, ...]:
    """Give the components, one a row."""
    rows = []
    with_interval = any(component.interval_mm for component in result.components)
    for component in result.components:
        row: Row = (str(component.part), mm(component.sd_mm))
        if with_interval:
            row = (*row, interval(component.interval_mm))
        shares = (
            result.contribution_percent(component.part), result.study_percent(component.part),
            result.tolerance_percent(component.part),
        )  # fmt: skip
        rows.append((*row, *(percent(share) for share in shares if share is not None)))
    return tuple(rows)


def method_words(result: GaugeResult, confidence: float) -> tuple[str, ...]:
    """Say how the numbers of a table of components came about."""
    spread = (
        "Shares of the spread are those of the total standard deviation and do not add up to 100. "
        f"Shares of the tolerance: {SPREAD:g} standard deviations over its whole width."
    )
    count = result.distinct
    told = "not to be counted" if count is None else f"{result.categories} ({count:.2f}, cut)"
    words = f"Categories told apart, √2 · parts / gauge: {told}"
    if result.share_interval is None:
        return (spread, words + ".")
    if result.categories_interval is not None:
        words += f"; {_percent(confidence)} interval {_of(result.categories_interval, 1)}"
    return (
        spread,
        f"{words}. Gauge's share of the spread: {_of(result.share_interval, 1)} %.",
        f"Intervals: {_percent(confidence)}, {INTERVAL_METHOD}; normal components are assumed.",
    )


def anova_rows(table: Anova) -> tuple[Row, ...]:
    """Give the lines of the analysis of variance, pooled ones below."""
    rows = [_source(source, str(source.name)) for source in table.sources]
    rows.append(("total", str(table.total_dof), small(table.total_ss_mm2), "", "", ""))
    if table.pooled is not None:
        rows += [_source(source, f"{source.name}, pooled") for source in table.pooled]
    return tuple(rows)


def range_rows(table: RangeTable) -> tuple[Row, ...]:
    """Give what the method of ranges reads off."""
    rows = [("mean range of the trials, mm", mm(table.mean_range_mm))]
    if table.operator_difference_mm is not None and table.k2 is not None:
        rows.append(("greatest less smallest mean of an operator, mm",
                     mm(table.operator_difference_mm)))  # fmt: skip
    rows.append(("greatest less smallest mean of a part, mm", mm(table.part_range_mm)))
    rows.append(("limit for a range of trials, mm", mm(table.range_limit_mm)))
    rows.append(("K1 (trials)", f"{table.k1:.4f}"))
    if table.k2 is not None:
        rows.append(("K2 (operators)", f"{table.k2:.4f}"))
    rows.append(("K3 (parts)", f"{table.k3:.4f}"))
    return tuple(rows)


def bias_rows(outcome: Outcome) -> tuple[Row, ...]:
    """Give the biases, one reference a row."""
    return tuple(_bias(bias) for bias in outcome.biases)


def line_rows(line: Linearity) -> tuple[Row, ...]:
    """Give the line of the bias."""
    slope = Range(1000 * line.slope_interval.lower, 1000 * line.slope_interval.upper)
    rows = [
        ("slope, µm for each mm", mm(1000 * line.slope), interval(slope), _p(line.slope_p)),
        (
            "bias at 0 mm, mm", mm(line.intercept_mm), interval(line.intercept_interval_mm),
            _p(line.intercept_p),
        ),
        ("standard deviation about it, mm", mm(line.fit.residual_sd), "", ""),
    ]
    if line.lack is not None:
        rows.append(("lack of fit, F", _lack(line.lack), "", _p(line.lack.p)))
    return tuple(rows)


def mm(value: float) -> str:
    """Write a length with four decimals.

    >>> mm(-0.00501), mm(-0.00001)
    ('−0.0050', '0.0000')
    """
    return fixed(value, _DECIMALS)


def percent(share: float) -> str:
    """Write a share with two decimals.

    >>> percent(0.001), percent(0.0), percent(22.934)
    ('< 0.01', '0.00', '22.93')
    """
    return "< 0.01" if 0 < share < 0.005 else f"{share:.2f}"


def small(value: float) -> str:
    """Write a number with four digits that count and no exponent.

    >>> small(0.0000123456), small(3935.9555)
    ('0.00001235', '3936')
    """
    return plain(float(f"{value:.4g}"))


def interval(found: Range | None) -> str:
    """Write an interval in mm."""
    return _NOT_KNOWN if found is None else _of(found, _DECIMALS)


def _of(found: Range, decimals: int) -> str:
    return f"{fixed(found.lower, decimals)} to {fixed(found.upper, decimals)}"


def _percent(confidence: float) -> str:
    return f"{plain(round(100 * confidence, 6))} %"


def _source(source: Source, name: str) -> Row:
    f = "" if source.f is None else "∞" if math.isinf(source.f) else small(source.f)
    p = "" if source.p is None else _p(source.p)
    return (name, str(source.dof), small(source.ss_mm2), small(source.ms_mm2), f, p)


def _bias(bias: Bias) -> Row:
    t = "∞" if math.isinf(bias.t) else fixed(bias.t, 2)
    return (
        str(bias.reference_mm), str(len(bias.readings_mm)), mm(bias.bias_mm),
        interval(bias.interval_mm), mm(bias.sd_mm), t, _p(bias.p),
    )  # fmt: skip


def _lack(lack: LackOfFit) -> str:
    return "∞" if math.isinf(lack.f) else f"{lack.f:.3f}"


def _p(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"{p:.3f}"
