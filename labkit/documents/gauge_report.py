"""The report of a gauge study: what it says first, then tables and charts."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from labkit.core.report import Column, On, Report, Section, Table
from labkit.documents import gauge_tables as tables
from labkit.documents.charts.canvas import plot
from labkit.documents.charts.gauge_charts import bias_chart, readings_chart, shares_chart
from labkit.qa.gauge.anova import Anova
from labkit.qa.gauge.bias import Linearity
from labkit.qa.gauge.intervals import INTERVAL_METHOD
from labkit.qa.gauge.look_at import CHANCE
from labkit.qa.gauge.outcome import Outcome, instrument_lines
from labkit.qa.gauge.ranges import RangeTable
from labkit.qa.gauge.result import GaugeResult, Variation
from labkit.qa.gauge.study import Study
from labkit.qa.uncertainty import tenths


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
            *_standing_out(outcome),
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
    who = f" × {operators} persons" if study.has_operators else ""
    return f"{source}: {parts} rods{who} × {trials} readings"


def _facts(outcome: Outcome, source: str) -> Iterator[tuple[str, str]]:
    yield "Readings", source
    if outcome.study is not None:
        parts, operators, trials = outcome.study.shape
        names = ", ".join(outcome.study.operators) or "none"
        yield "Rods", str(parts)
        yield "Readings of each", str(trials) + (" by each person" if operators > 1 else "")
        yield "Persons", f"{operators}: {names}" if operators > 1 else names
    if outcome.asked.tolerance_mm is not None:
        yield "Tolerance", f"± {outcome.asked.tolerance_mm:g} mm"
    if outcome.biases:
        yield "References", str(len(outcome.biases))


def _components(outcome: Outcome) -> Iterator[Section]:
    result = outcome.first
    if result is None:
        return
    yield Section(
        "Where readings differ", (tables.variance_words(result),), tables.variation_table(outcome),
        plot=plot(
            "shares", partial(shares_chart, result),
            "Above: one bar, the variance of all readings up to 100 %. Below: points show the "
            "gauge's share of the tolerance (of the spread, if no tolerance was given), with "
            "intervals.",
        ),
    )
    yield Section("How these numbers came about", tables.method_words(outcome))


def _standing_out(outcome: Outcome) -> Iterator[Section]:
    if outcome.study is None:
        return
    if outcome.persons:
        yield Section("Which persons to look at", table=tables.person_table(outcome), notes=(
            "Reads: the person's mean minus the mean of all. Repeats within: the standard "
            "deviation of the person's own readings of the same rod.",
        ))
    none = ("None: no reading lies far from the others.",)
    yield Section(
        "Which rods to look at", () if outcome.rods else none,
        tables.rod_table(outcome) if outcome.rods else None,
        notes=(
            "Where nothing is wrong, chance names somebody, or a rod, in about 1 study of "
            f"{round(1 / CHANCE)}.",
        ),
    )
    yield Section("Every reading", on=On.PAPER, notes=(
        "Each reading minus the mean of its rod, so that the gauge shows and not the rods. A ring "
        "marks what to look at.",
    ), plot=plot(
        "readings", partial(readings_chart, outcome.study, outcome.rods),
        "Points: every reading minus the mean of its rod, for each rod and person",
    ))


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
            "Copy these lines into the instrument's file:",
        ), table=Table((Column("lines"),), tuple((line,) for line in lines)))


def _bias(outcome: Outcome) -> Iterator[Section]:
    line = outcome.line
    if outcome.biases:
        yield Section(
            "Bias", table=tables.bias_table(outcome), notes=(
                "Mean reading minus reference, with Student's t interval; readings of all persons "
                "count together.",
            ), plot=plot(
                "bias", partial(bias_chart, outcome.biases, line),
                "Points over the reference value: single readings and the bias with its interval"
                + (", the fitted line and its band" if line is not None else ""),
            ),
        )
    if line is not None:
        yield Section("Linearity", table=tables.line_table(line))


def _data(outcome: Outcome) -> dict[str, Any]:
    first, line = outcome.first, outcome.line
    return {
        "schema": 1,
        "study": _study_data(outcome.study),
        "tolerance_mm": outcome.asked.tolerance_mm,
        "confidence": outcome.asked.confidence,
        "by_analysis_of_variance": None if outcome.by_anova is None else {
            **_result_data(outcome.by_anova[0]), **_anova_data(outcome.by_anova[1]),
        },
        "by_ranges": None if outcome.by_ranges is None else {
            **_result_data(outcome.by_ranges[0]), **_range_data(outcome.by_ranges[1]),
        },
        "look_at": {"persons": outcome.persons, "rods": outcome.rods},
        "repeatability": None if first is None else {
            "standard_deviation_mm": first[Variation.REPEATABILITY].sd_mm,
            "degrees_of_freedom": tenths(first.repeatability_dof),
        },
        "bias": tables.bias_table(outcome).records,
        "linearity": None if line is None else _line_data(line),
        "findings": outcome.findings,
    }


def _study_data(study: Study | None) -> dict[str, Any] | None:
    if study is None:
        return None
    operators = study.operators if study.has_operators else ()
    return {"parts": study.parts, "operators": operators, "trials": study.trials}


def _result_data(result: GaugeResult) -> dict[str, Any]:
    return {
        "variation": tables.variation_data(result),
        "gauge_share_of_spread_interval": tables.ends(result.share_interval),
        "groups_told_apart": result.categories,
        "groups_told_apart_unrounded": result.distinct,
        "groups_told_apart_interval": tables.ends(result.categories_interval),
    }


def _range_data(table: RangeTable) -> dict[str, Any]:
    return {
        "mean_range_mm": table.mean_range_mm,
        "persons_apart_mm": table.operator_difference_mm,
        "rods_apart_mm": table.part_range_mm,
    }


def _anova_data(table: Anova) -> dict[str, Any]:
    return {
        "sources": tables.source_table(table.sources).records,
        "total": {
            "sum_of_squares_mm2": table.total_ss_mm2, "degrees_of_freedom": table.total_dof,
        },
        "pooling_level": table.level,
        "changing_from_rod_to_rod_p": table.interaction_p,
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
