"""The report of a gauge study: what it says first, then tables and charts."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from labkit.core.report import Column, On, Report, Section, Table
from labkit.documents import gauge_tables as tables
from labkit.documents.charts.canvas import plot
from labkit.documents.charts.gauge_charts import (
    bias_chart,
    components_chart,
    interaction_chart,
    ranges_chart,
    readings_chart,
)
from labkit.qa.gauge.anova import Anova
from labkit.qa.gauge.bias import Linearity
from labkit.qa.gauge.intervals import INTERVAL_METHOD
from labkit.qa.gauge.outcome import Outcome, instrument_lines
from labkit.qa.gauge.result import GaugeResult, Variation
from labkit.qa.gauge.study import Study


def gauge_report(outcome: Outcome, source: str, date: str) -> Report:
    """Make the report.

    Args:
        source: Name of the file it comes from.
    """
    lines = _lines(outcome)
    return Report(
        title="Gauge study",
        subtitle=source,
        facts=tuple(_facts(outcome, source)),
        findings=outcome.findings,
        sections=(
            Section(_shape(outcome, source), findings=outcome.findings, on=On.SCREEN),
            *_components(outcome),
            *_pictures(outcome),
            *_instrument(lines, On.PAPER),
            *_bias(outcome),
            *_instrument(lines, On.SCREEN),
        ),
        data=_data(outcome),
        date=date,
        name="gauge-study",
    )


def _shape(outcome: Outcome, source: str) -> str:
    study = outcome.study
    if study is None:
        return ""
    parts, operators, trials = study.shape
    who = f" × {operators} operators" if study.has_operators else ""
    return f"{source}: {parts} parts{who} × {trials} trials"


def _facts(outcome: Outcome, source: str) -> Iterator[tuple[str, str]]:
    yield "Readings", source
    if outcome.study is not None:
        parts, operators, trials = outcome.study.shape
        names = ", ".join(outcome.study.operators) or "none"
        yield "Parts", str(parts)
        yield "Trials", str(trials)
        yield "Operators", f"{operators}: {names}" if operators > 1 else names
    if outcome.asked.tolerance_mm is not None:
        yield "Tolerance", f"± {outcome.asked.tolerance_mm:g} mm"
    if outcome.biases:
        yield "References", str(len(outcome.biases))


def _components(outcome: Outcome) -> Iterator[Section]:
    for found in (outcome.by_anova, outcome.by_ranges):
        if found is not None:
            words = tables.method_words(found[0], outcome.asked.confidence)
            yield Section(
                f"Components by {found[0].method}", words, tables.component_table(found[0])
            )
    if outcome.first is not None:
        yield Section("Shares", on=On.PAPER, plot=plot(
            "components", partial(components_chart, outcome.first),
            "Bars: share of the gauge, repeatability, reproducibility and parts in the variance, "
            "the spread and the tolerance, as in the table of components",
        ))  # fmt: skip
    if outcome.by_anova is not None:
        yield Section(
            "Table of the analysis of variance", table=tables.anova_table(outcome.by_anova[1]),
            brief="Analysis of variance",
        )
    if outcome.by_ranges is not None:
        yield Section(
            "What averages and ranges rest on", table=tables.range_table(outcome.by_ranges[1]),
            brief="Ranges",
        )


def _pictures(outcome: Outcome) -> Iterator[Section]:
    study = outcome.study
    if study is None:
        return
    yield Section("Readings", on=On.PAPER, notes=(
        "Each reading less the mean of its part, so that the gauge shows and not the parts.",
    ), plot=plot(
        "readings", partial(readings_chart, study),
        "Points: every reading less the mean of its part, for each part and operator",
    ))  # fmt: skip
    if study.has_operators:
        yield Section("Operators and parts", on=On.PAPER, notes=(
            "Lines side by side: operators differ. Lines that cross: it depends on the part who "
            "reads more.",
        ), plot=plot(
            "interaction", partial(interaction_chart, study),
            "Lines: each operator's mean of each part less the mean of the part",
        ))  # fmt: skip
    if outcome.ranges is not None:
        yield Section("Ranges and means", on=On.PAPER, notes=(
            "A range above its limit points to a slip. Means within the shaded band are parts that "
            "this gauge does not tell apart.",
        ), plot=plot(
            "ranges", partial(ranges_chart, study, outcome.ranges),
            "Two panels by operator: ranges of the trials with their limit, and means of the "
            "trials with the band that chance alone would give",
        ))  # fmt: skip


def _lines(outcome: Outcome) -> tuple[str, ...]:
    first, study = outcome.first, outcome.study
    if first is None or study is None:
        return ()
    return instrument_lines(first, len(study.operators) if study.has_operators else 1)


def _instrument(lines: tuple[str, ...], on: On) -> Iterator[Section]:
    if lines and on is On.SCREEN:
        yield Section("For the instrument's file:", tuple(f"  {line}" for line in lines), on=on)
    elif lines:
        yield Section("For the instrument's file", on=on, notes=(
            "What this study gives, as it stands in an instrument's file:",
        ), table=Table((Column("lines"),), tuple((line,) for line in lines)))  # fmt: skip


def _bias(outcome: Outcome) -> Iterator[Section]:
    line = outcome.line
    if outcome.biases:
        yield Section(
            "Bias", table=tables.bias_table(outcome), notes=(
                "Mean reading less reference, with Student's t interval; readings of all operators "
                "count together.",
            ), plot=plot(
                "bias", partial(bias_chart, outcome.biases, line),
                "Points over the reference value: single readings and the bias with its interval"
                + (", the fitted line and its band" if line is not None else ""),
            ),
        )  # fmt: skip
    if line is not None:
        yield Section("Linearity", table=tables.line_table(line))


def _data(outcome: Outcome) -> dict[str, Any]:
    first, line = outcome.first, outcome.line
    return {
        "schema": 1,
        "study": _study_data(outcome.study),
        "tolerance_mm": outcome.asked.tolerance_mm,
        "confidence": outcome.asked.confidence,
        "anova": None if outcome.by_anova is None else {
            **_result_data(outcome.by_anova[0]), **_anova_data(outcome.by_anova[1]),
        },
        "ranges": None if outcome.by_ranges is None else {
            **_result_data(outcome.by_ranges[0]), **vars(outcome.by_ranges[1]),
        },
        "repeatability": None if first is None else {
            "standard_deviation_mm": first[Variation.REPEATABILITY].sd_mm,
            "degrees_of_freedom": first.repeatability_dof,
        },
        "bias": tables.bias_table(outcome).records,
        "linearity": None if line is None else _line_data(line),
        "findings": outcome.findings,
    }  # fmt: skip


def _study_data(study: Study | None) -> dict[str, Any] | None:
    if study is None:
        return None
    operators = study.operators if study.has_operators else ()
    return {"parts": study.parts, "operators": operators, "trials": study.trials}


def _result_data(result: GaugeResult) -> dict[str, Any]:
    return {
        "components": tables.component_table(result).records,
        "categories": result.categories,
        "distinct": result.distinct,
        "study_percent_interval": tables.ends(result.share_interval),
        "distinct_interval": tables.ends(result.categories_interval),
    }


def _anova_data(table: Anova) -> dict[str, Any]:
    return {
        "sources": tables.source_table(table.sources).records,
        "total": {"ss_mm2": table.total_ss_mm2, "dof": table.total_dof},
        "pooling_level": table.level,
        "interaction_p": table.interaction_p,
        "pooled": table.pooled and tables.source_table(table.pooled).records,
        "interval_method": INTERVAL_METHOD,
    }


def _line_data(line: Linearity) -> dict[str, Any]:
    return {
        "slope": line.slope.value,
        "slope_interval": tables.ends(line.slope),
        "slope_p": line.slope.p,
        "intercept_mm": line.intercept_mm.value,
        "intercept_interval_mm": tables.ends(line.intercept_mm),
        "intercept_p": line.intercept_mm.p,
        "residual_sd_mm": line.fit.residual_sd,
        "r_squared": line.fit.r_squared,
        "lack_of_fit": line.lack and {"f": line.lack.f, "p": line.lack.p},
    }
