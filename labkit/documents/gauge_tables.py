"""Tables of a gauge study and how their numbers are written, for people and for programs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from labkit.core.report import Column, Table
from labkit.documents.figures import chance, fixed
from labkit.qa.gauge.anova import Anova, Source
from labkit.qa.gauge.bias import Linearity
from labkit.qa.gauge.intervals import INTERVAL_METHOD
from labkit.qa.gauge.outcome import Outcome
from labkit.qa.gauge.ranges import RangeTable
from labkit.qa.gauge.result import SPREAD, Component, GaugeResult, Range, Variation
from labkit.qa.least_squares import Estimate
from labkit.units import plain, written

#: Ends of an interval.
_Ends = tuple[float, float]

#: A length with four decimals: a tenth of a micrometre.
mm = partial(fixed, decimals=4)


def ends(found: Range | Estimate | None) -> _Ends | None:
    """Give the ends of an interval."""
    return None if found is None else (found.lower, found.upper)


def between(found: _Ends, decimals: int = 4) -> str:
    """Write an interval."""
    return f"{fixed(found[0], decimals)} to {fixed(found[1], decimals)}"


def percent(share: float) -> str:
    """Write a share with two decimals.

    >>> percent(0.001), percent(0.0), percent(22.934)
    ('< 0.01', '0.00', '22.93')
    """
    return "< 0.01" if 0 < share < 0.005 else f"{share:.2f}"


def small(value: float) -> str:
    """Write a number with four digits that count and no exponent.

    >>> small(0.0000123456), small(3935.9555), small(math.inf)
    ('0.00001235', '3936', '∞')
    """
    return "∞" if math.isinf(value) else plain(float(f"{value:.4g}"))


def _ratio(value: float, decimals: int) -> str:
    return "∞" if math.isinf(value) else fixed(value, decimals)


def component_table(result: GaugeResult) -> Table:
    """Give the components, one a row."""

    def share(of: Callable[[Variation], float | None]) -> Callable[[Component], float | None]:
        return lambda one: of(one.part)

    columns = (
        Column("component", "part", "name"),
        Column(None, "variance_mm2"),
        Column("sd", "sd_mm", show=mm, unit="mm"),
        Column(
            "interval", lambda one: ends(one.interval_mm), "interval_mm", between, "mm",
            optional=True,
        ),
        Column("variance %", share(result.contribution_percent), "contribution_percent", percent),
        Column("spread %", share(result.study_percent), "study_percent", percent),
        Column("tolerance %", share(result.tolerance_percent), "tolerance_percent", percent,
               optional=True),
    )  # fmt: skip
    return Table.of(columns, result.components)


def method_words(result: GaugeResult, confidence: float) -> tuple[str, ...]:
    """Say how the numbers of a table of components came about."""
    spread = (
        "Shares of the spread are those of the total standard deviation and do not add up to 100. "
        f"Shares of the tolerance: {SPREAD:g} standard deviations over its whole width."
    )
    count, sure = result.distinct, f"{plain(written(100 * confidence, 6))} %"
    told = "not to be counted" if count is None else f"{result.categories} ({count:.2f}, cut)"
    words = f"Categories told apart, √2 · parts / gauge: {told}"
    of_share, of_categories = ends(result.share_interval), ends(result.categories_interval)
    if of_share is None:
        return (spread, words + ".")
    if of_categories is not None:
        words += f"; {sure} interval {between(of_categories, 1)}"
    return (
        spread,
        f"{words}. Gauge's share of the spread: {between(of_share, 1)} %.",
        f"Intervals: {sure}, {INTERVAL_METHOD}; normal components are assumed.",
    )


_SOURCE = (
    Column("source", "name"),
    Column(None, "ss_mm2"),
    Column("freedom", "dof"),
    Column("sum", "ss_mm2", "", small, "mm²"),
    Column("mean", "ms_mm2", show=small, unit="mm²", unknown=""),
    Column("F", "f", show=small, unknown=""),
    Column("p", "p", show=chance, unknown=""),
)


def source_table(sources: tuple[Source, ...]) -> Table:
    """Give the sources of variation of an analysis, one a row."""
    return Table.of(_SOURCE, sources)


def anova_table(table: Anova) -> Table:
    """Give all lines of the analysis of variance: the sources, the total, pooled ones below."""
    pooled = ((f"{name}, pooled", *cells) for name, *cells in _rows(table.pooled))
    total = ("total", table.total_ss_mm2, table.total_dof, table.total_ss_mm2, None, None, None)
    return Table(_SOURCE, (*_rows(table.sources), total, *pooled))


def _rows(sources: tuple[Source, ...] | None) -> tuple[tuple[object, ...], ...]:
    return source_table(sources or ()).rows


def range_table(table: RangeTable) -> Table:
    """Give what the method of ranges reads off."""
    rows = (
        ("mean range of the trials, mm", table.mean_range_mm),
        (
            "greatest less smallest mean of an operator, mm",
            table.operator_difference_mm if table.k2 is not None else None,
        ),
        ("greatest less smallest mean of a part, mm", table.part_range_mm),
        ("limit for a range of trials, mm", table.range_limit_mm),
        ("K1 (trials)", table.k1),
        ("K2 (operators)", table.k2),
        ("K3 (parts)", table.k3),
    )
    known = tuple(row for row in rows if row[1] is not None)
    return Table((Column("read off the study"), Column("value", show=mm)), known)


_BIAS = (
    Column("reference", "reference_mm", unit="mm"),
    Column("readings", lambda one: len(one.readings_mm), "readings"),
    Column("bias", "bias_mm", show=mm, unit="mm"),
    Column(None, "sd_mm"),
    Column("interval", lambda one: ends(one.bias), "interval_mm", between, "mm"),
    Column("sd", "sd_mm", "", mm, "mm"),
    Column("t", "t", show=partial(_ratio, decimals=2)),
    Column("p", "p", show=chance),
)


def bias_table(outcome: Outcome) -> Table:
    """Give the biases, one reference a row."""
    return Table.of(_BIAS, outcome.biases)


def line_table(line: Linearity) -> Table:
    """Give the line of the bias."""
    return Table(tuple(map(Column, ("line", "value", "interval", "p"))), tuple(_line_rows(line)))


def _line_rows(line: Linearity) -> Iterator[tuple[str, ...]]:
    for what, scale, one in (
        ("slope, µm for each mm", 1000, line.slope), ("bias at 0 mm, mm", 1, line.intercept_mm),
    ):  # fmt: skip
        ends_of = between((scale * one.lower, scale * one.upper))
        yield what, mm(scale * one.value), ends_of, chance(one.p)
    yield "standard deviation about it, mm", mm(line.fit.residual_sd), "", ""
    if line.lack is not None:
        yield "lack of fit, F", _ratio(line.lack.f, 3), "", chance(line.lack.p)
