"""The report of a gauge study: what it says first, then tables and charts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from labkit.documents import gauge_words as words
from labkit.documents.charts.canvas import files_of
from labkit.documents.charts.gauge_charts import (
    bias_chart,
    components_chart,
    interaction_chart,
    ranges_chart,
    readings_chart,
)
from labkit.documents.process_report import Report, Section
from labkit.qa.gauge.outcome import Outcome, instrument_lines

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def gauge_report(outcome: Outcome, source: str, date: str) -> Report:
    """Make the report.

    Args:
        source: Name of the file it comes from.

    Returns:
        The report, with every chart as SVG and PNG.
    """
    pictures: dict[str, bytes] = {}
    for name, chart in _charts(outcome):
        pictures |= files_of(name, chart)
    return Report(
        title="Gauge study",
        subtitle=source,
        facts=_facts(outcome, source),
        sections=tuple(_sections(outcome)),
        findings=tuple(finding.message for finding in outcome.findings),
        pictures=pictures,
        date=date,
        name="gauge-study",
    )


def _facts(outcome: Outcome, source: str) -> tuple[tuple[str, str], ...]:
    facts = [("Readings", source)]
    if outcome.study is not None:
        parts, operators, trials = outcome.study.shape
        names = ", ".join(outcome.study.operators) or "none"
        facts += [("Parts", str(parts)), ("Trials", str(trials))]
        facts.append(("Operators", f"{operators}: {names}" if operators > 1 else names))
    if outcome.asked.tolerance_mm is not None:
        facts.append(("Tolerance", f"± {outcome.asked.tolerance_mm:g} mm"))
    if outcome.biases:
        facts.append(("References", str(len(outcome.biases))))
    return tuple(facts)


def _charts(outcome: Outcome) -> Iterator[tuple[str, Figure]]:
    study, first = outcome.study, outcome.first
    if study is not None and first is not None:
        yield "components", components_chart(first)
        yield "readings", readings_chart(study)
        if study.has_operators:
            yield "interaction", interaction_chart(study)
        if outcome.ranges is not None:
            yield "ranges", ranges_chart(study, outcome.ranges)
    if outcome.biases:
        yield "bias", bias_chart(outcome.biases, outcome.line)


def _sections(outcome: Outcome) -> Iterator[Section]:
    confidence = outcome.asked.confidence
    for found in (outcome.by_anova, outcome.by_ranges):
        if found is not None:
            result = found[0]
            yield Section(
                f"Components by {result.method}", words.method_words(result, confidence),
                words.component_head(result), words.component_rows(result),
            )
    if outcome.study is not None:
        yield Section(
            "Shares", picture="components.svg",
            alt="Bars: share of the gauge, repeatability, reproducibility and parts in the "
            "variance, the spread and the tolerance, as in the table of components",
        )
        yield from _tables(outcome)
        yield from _pictures(outcome)
        yield from _instrument(outcome)
    if outcome.biases:
        yield from _bias(outcome)


def _tables(outcome: Outcome) -> Iterator[Section]:
    if outcome.by_anova is not None:
        yield Section(
            "Table of the analysis of variance", (), words.ANOVA_HEAD,
            words.anova_rows(outcome.by_anova[1]),
        )
    if outcome.by_ranges is not None:
        yield Section(
            "What averages and ranges rest on", (), words.RANGE_HEAD,
            words.range_rows(outcome.by_ranges[1]),
        )


def _pictures(outcome: Outcome) -> Iterator[Section]:
    yield Section(
        "Readings", ("Each reading less the mean of its part, so that the gauge shows and not the "
                     "parts.",),
        picture="readings.svg",
        alt="Points: every reading less the mean of its part, for each part and operator",
    )  # fmt: skip
    if outcome.study is not None and outcome.study.has_operators:
        yield Section(
            "Operators and parts", ("Lines side by side: operators differ. Lines that cross: it "
                                    "depends on the part who reads more.",),
            picture="interaction.svg",
            alt="Lines: each operator's mean of each part less the mean of the part",
        )  # fmt: skip
    if outcome.ranges is None:
        return
    yield Section(
        "Ranges and means", ("A range above its limit points to a slip. Means within the shaded "
                             "band are parts that this gauge does not tell apart.",),
        picture="ranges.svg",
        alt="Two panels by operator: ranges of the trials with their limit, and means of the "
        "trials with the band that chance alone would give",
    )  # fmt: skip


def _instrument(outcome: Outcome) -> Iterator[Section]:
    lines = instrument_lines(outcome.first) if outcome.first is not None else ()
    if lines:
        yield Section(
            "For the instrument's file",
            ("The repeatability of this study, as it stands in an instrument's file:",),
            ("lines",), tuple((line,) for line in lines),
        )


def _bias(outcome: Outcome) -> Iterator[Section]:
    yield Section(
        "Bias", ("Mean reading less reference, with Student's t interval; readings of all "
                 "operators count together.",),
        words.BIAS_HEAD, words.bias_rows(outcome), "bias.svg",
        "Points over the reference value: single readings and the bias with its interval"
        + (", the fitted line and its band" if outcome.line is not None else ""),
    )  # fmt: skip
    if outcome.line is not None:
        yield Section("Linearity", (), words.LINE_HEAD, words.line_rows(outcome.line))
