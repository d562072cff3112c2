"""Tables of a gauge study and how their numbers are written, for people and for programs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import Any

from labkit.core.report import Column, Table
from labkit.documents.figures import chance, fixed, signed
from labkit.qa.gauge.anova import Source
from labkit.qa.gauge.bias import Linearity
from labkit.qa.gauge.intervals import INTERVAL_METHOD
from labkit.qa.gauge.outcome import Outcome
from labkit.qa.gauge.result import SPREAD, GaugeResult, Range, Variation
from labkit.qa.least_squares import Estimate
from labkit.units import plain, written

#: Ends of an interval.
_Ends = tuple[float, float]
#: What makes up the variance of all readings, without sums of others.
APART = (Variation.REPEATABILITY, Variation.REPRODUCIBILITY, Variation.PARTS)
#: Rows that part the one above.
_INSIDE = {Variation.OPERATOR: "– ", Variation.INTERACTION: "– "}
_KEYS = {
    Variation.REPEATABILITY: "same_person_same_rod",
    Variation.REPRODUCIBILITY: "another_person_adds",
    Variation.OPERATOR: "alike_on_every_rod",
    Variation.INTERACTION: "changing_from_rod_to_rod",
    Variation.GAUGE: "gauge_together",
    Variation.PARTS: "rods_differ",
    Variation.TOTAL: "all_readings",
}

#: A length with four decimals: a tenth of a micrometre.
mm = partial(fixed, decimals=4)


def ends(found: Range | Estimate | None) -> _Ends | None:
    """Give the ends of an interval."""
    return None if found is None else (found.lower, found.upper)


def between(found: _Ends, decimals: int = 4) -> str:
    """Write an interval."""
    return f"{fixed(found[0], decimals)} to {fixed(found[1], decimals)}"


def percent(share: float) -> str:
    """Write a share in percent.

    >>> percent(0.0001), percent(0.0), percent(0.22934)
    ('< 0.1 %', '0.0 %', '22.9 %')
    """
    return "< 0.1 %" if 0 < share < 0.0005 else f"{100 * share:.1f} %"


def _ratio(value: float, decimals: int) -> str:
    return "∞" if math.isinf(value) else fixed(value, decimals)


def variation_table(outcome: Outcome) -> Table:
    """Give where readings differ, in mm and as shares of the tolerance, one question a row."""
    result = outcome.first
    assert result is not None
    hand = outcome.by_ranges[0] if outcome.by_anova and outcome.by_ranges else None
    by_hand = {one.part: one.sd_mm for one in hand.components} if hand else {}
    columns = (
        Column("where readings differ", lambda one: _INSIDE.get(one.part, "") + one.part),
        Column("mm", "sd_mm", show=mm),
        Column("interval, mm", lambda one: ends(one.interval_mm), show=between, optional=True),
        Column("of the\ntolerance", lambda one: result.share_of_tolerance(one.part),
               show=percent, optional=True),
        Column("by ranges,\nmm", lambda one: by_hand.get(one.part), show=mm, optional=True),
    )
    shown = [one for one in result.components if one.part is not Variation.TOTAL]
    together = [n for n, one in enumerate(shown) if one.part is Variation.GAUGE]
    return Table.of(columns, shown, together)


def variation_data(result: GaugeResult) -> dict[str, Any]:
    """Give where readings differ for programs, by what it is."""
    return {
        _KEYS[one.part]: {
            "variance_mm2": one.variance_mm2,
            "sd_mm": one.sd_mm,
            "interval_mm": ends(one.interval_mm),
            "share_of_variance": result.share_of_variance(one.part),
            "share_of_spread": result.share_of_spread(one.part),
            "share_of_tolerance": result.share_of_tolerance(one.part),
        }
        for one in result.components
    }


def variance_words(result: GaugeResult) -> str:
    """Say how the variance of all readings is made up."""
    parts = [
        f"{part} {percent(result.share_of_variance(part))}"
        for part in APART if any(one.part is part for one in result.components)
    ]
    return f"Of the variance of all readings: {', '.join(parts)}."


def method_words(outcome: Outcome) -> tuple[str, ...]:
    """Say how the numbers came about."""
    result = outcome.first
    assert result is not None
    sure = f"{plain(written(100 * outcome.asked.confidence, 6))} %"
    count = result.distinct
    of_spread, of_groups = ends(result.share_interval), ends(result.categories_interval)
    told = "cannot be counted"
    if count is not None:
        sure_of = f"; {sure} interval {between(of_groups, 1)}" if of_groups else ""
        told = f"{result.categories} ({count:.2f} rounded down{sure_of})"
    lines = [
        f"By {result.method}. In mm: one standard deviation. The share of the tolerance is "
        f"{SPREAD:g} of them over its whole width.",
        f"Groups of rods that can be distinguished, √2 · rods / gauge: {told}.",
    ]
    if of_spread is not None:
        low, high = (100 * end for end in of_spread)
        lines.append(
            f"Gauge's share of the spread of these readings: {between((low, high), 1)} %. "
            f"Intervals: {sure}, {INTERVAL_METHOD}, assuming normal distributions."
        )
    return tuple(lines)


_PERSON = (
    Column("person", "name"),
    Column("reads, mm", "offset_mm", show=partial(signed, decimals=4)),
    Column("repeats\nwithin, mm", "sd_mm", show=mm),
    Column("look at", "look"),
)
_ROD = (
    Column("rod", "name"),
    Column("person", "person"),
    Column("by, mm", "by_mm", show=mm),
    Column("look at", "look"),
)


def person_table(outcome: Outcome) -> Table:
    """Give the persons side by side."""
    return Table.of(_PERSON, outcome.persons)


def rod_table(outcome: Outcome) -> Table:
    """Give the rods on which a person's readings stand out."""
    return Table.of(_ROD, outcome.rods)


_SOURCE = (
    Column("source", "name"),
    Column(None, "ss_mm2", "sum_of_squares_mm2"),
    Column("freedom", "dof", "degrees_of_freedom"),
    Column(None, "ms_mm2", "mean_square_mm2"),
    Column(None, "f"),
    Column(None, "p"),
)


def source_table(sources: tuple[Source, ...]) -> Table:
    """Give the sums of squares of an analysis, for programs."""
    return Table.of(_SOURCE, sources)


_BIAS = (
    Column("reference", "reference_mm", unit="mm"),
    Column("readings", lambda one: len(one.readings_mm), "readings"),
    Column("bias", "bias_mm", show=mm, unit="mm"),
    Column(None, "sd_mm"),
    Column("interval", lambda one: ends(one.bias), "interval_mm", between, "mm"),
    Column("sd", "sd_mm", "", mm, "mm"),
    Column(None, "t"),
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
    ):
        ends_of = between((scale * one.lower, scale * one.upper))
        yield what, mm(scale * one.value), ends_of, chance(one.p)
    yield "standard deviation about it, mm", mm(line.fit.residual_sd), "", ""
    if line.lack is not None:
        yield "lack of fit, F", _ratio(line.lack.f, 3), "", chance(line.lack.p)
