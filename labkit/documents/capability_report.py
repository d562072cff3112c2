"""Reports of a capability study and of a chart of individual values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

from labkit.core.findings import Finding, note
from labkit.core.report import On, Report, Section
from labkit.documents import process_words as words
from labkit.documents.charts.canvas import plot
from labkit.documents.charts.process_charts import (
    MOST_GROUPS,
    axis_words,
    comparison,
    decimals_of,
    indices_chart,
    individuals_chart,
    probability,
    values_chart,
)
from labkit.documents.figures import fixed
from labkit.qa.percent import chance_told
from labkit.qa.process.control_chart import Individuals
from labkit.qa.process.run_rules import Rule
from labkit.qa.process.sample import Sample, difference_chance
from labkit.qa.process.study import Study, chart_findings

#: Characters of a file name that come from a user's words.
_LONGEST_NAME = 40
_INDEX_NOTES = (
    "1.00 means that 3 standard deviations just fit between mean and limit. Cp and Cpk rest on "
    "the inherent spread: what a steady process could do. Pp and Ppk rest on the total spread: "
    "what was delivered. Their names are those of ISO 22514-2."
)
_OUTSIDE_NOTES = (
    "As delivered: expected of a normal process with the total spread. If the process stays "
    "steady: expected with the inherent spread."
)
_CHART_NOTES = (
    "Limits: mean ± 3 standard deviations, found from the mean moving range. They describe what "
    "the process does, not what it is required to do."
)
_RULE_NOTES = (
    "How often each gives a false alarm on a stable normal process whose mean and spread are "
    "known; with limits from few values there are more."
)


def capability_report(study: Study, rules: Sequence[Rule], day: str) -> Report:
    """Make the report of a capability study."""
    sample, chart = study.sample, study.chart
    normality, interval = words.normality_words(study), words.interval_words(study)
    gauge = tuple(filter(None, (words.gauge_words(study), words.risk_words(study))))
    findings = tuple(note("", finding) for finding in study.findings)
    return Report(
        title="Capability of a process",
        subtitle=axis_words(sample),
        facts=(*sample.about, *_limit_facts(study)),
        findings=findings,
        sections=(
            _about(sample, findings),
            *_answers(study),
            *_comparisons(sample, On.SCREEN),
            *(_chart_sections(sample, chart, rules) if chart is not None else ()),
            *_comparisons(sample, On.PAPER),
            *([Section("Share of the measuring", gauge, on=On.PAPER)] if gauge else ()),
            Section("", (normality, interval, *gauge), on=On.SCREEN),
        ),
        data=_data(study),
        date=day,
        name="capability",
    )


def _answers(study: Study) -> tuple[Section, ...]:
    """Answer how many lie outside, how well the limits are kept, and whether that may be asked."""
    normality, interval = words.normality_words(study), words.interval_words(study)
    return (
        Section(
            "How many lie outside the limits", table=words.outside_table(study),
            notes=(_OUTSIDE_NOTES, interval), plot=plot(
                "values-and-limits", lambda: values_chart(study),
                f"Bars: {study.capability.n} values of {axis_words(study.sample)}; a normal curve "
                "of the total spread, the part of it outside the limits filled.",
            ),
        ),
        Section(
            "How well the limits are kept", words.spread_words(study),
            words.index_table(study), notes=(_INDEX_NOTES,), plot=plot(
                "indices", lambda: indices_chart(words.index_rows(study)),
                "Indices as points with their intervals as bars, beside 1.00, where 3 standard "
                "deviations just fit.",
            ),
        ),
        Section("Are the values normal?", (normality,), on=On.PAPER, plot=plot(
            "probability-plot", lambda: probability(study),
            "Values on normal probability paper with the band of a normal population. "
            + normality,
        )),
    )


def _data(study: Study) -> dict[str, Any]:
    sample, chart, found, free = study.sample, study.chart, study.capability, study.percentiles
    return {
        "schema": 1,
        "about": dict(sample.about),
        "unit": sample.unit,
        "n": found.n,
        "mean": found.mean,
        "lowest": found.lowest,
        "highest": found.highest,
        "limits": found.limits,
        "confidence": found.confidence,
        "inherent": words.index_data(found.inherent, ("Cp", "Cpk")),
        "total": words.index_data(found.total, ("Pp", "Ppk")),
        "Cpm": found.cpm,
        "outside": words.outside_data(study),
        "normality": study.normality,
        "percentiles": None if free is None else {
            "low": free.low, "middle": free.middle, "high": free.high,
            "Pp": free.of_width, "Ppk": free.of_nearer,
        },
        "tolerance_interval": study.interval,
        "stable": None if chart is None else chart.is_stable,
        "signals": [] if chart is None else chart.signals,
        "uncertainty": sample.uncertainty,
        "findings": study.findings,
    }


def chart_report(sample: Sample, chart: Individuals, rules: Sequence[Rule], day: str) -> Report:
    """Make the report of a chart of individual values."""
    told = chart_findings(sample, chart, rules)
    findings = tuple(note("", finding) for finding in told)
    none = ("No signals: nothing speaks against a stable process.",) if chart.is_stable else ()
    return Report(
        title="Chart of a process",
        subtitle=axis_words(sample),
        facts=(*sample.about, ("Values", str(len(sample.values)))),
        findings=findings,
        sections=(
            _about(sample, findings),
            Section("Limits of the chart", table=words.limit_table(chart), on=On.SCREEN),
            *_chart_sections(sample, chart, rules),
            *_comparisons(sample, On.PAPER),
            Section("", none, on=On.SCREEN),
        ),
        data={
            "schema": 1,
            "about": dict(sample.about),
            "unit": sample.unit,
            "names": sample.names,
            **vars(chart),
            "stable": chart.is_stable,
            "findings": told,
        },
        date=day,
        name="chart",
    )


def _about(sample: Sample, findings: tuple[Finding, ...]) -> Section:
    """Say on a screen what was chosen, and what to know; paper does so on its top."""
    chosen = tuple(f"{name:13} {value}" for name, value in sample.about)
    return Section("", (*chosen, ""), findings=findings, on=On.SCREEN)


def _limit_facts(study: Study) -> Iterator[tuple[str, str]]:
    sample, found = study.sample, study.capability
    decimals = decimals_of(found.total.spread.sd)
    unit = f" {sample.unit}" if sample.unit else ""
    for label, at in (
        ("Lower limit", found.limits.lower), ("Aim", found.limits.target),
        ("Upper limit", found.limits.upper),
    ):
        if at is not None:
            yield label, f"{fixed(at, decimals)}{unit}"
    yield "Values", f"{found.n}, mean {fixed(found.mean, decimals)}{unit}"


def _chart_sections(
    sample: Sample, chart: Individuals, rules: Sequence[Rule]
) -> tuple[Section, ...]:
    none = ("None: no rule found anything.",) if chart.is_stable else ()
    drawn = plot(
        "individuals", lambda: individuals_chart(sample, chart),
        f"Chart of {len(chart.values)} individual values in order and of the differences of "
        f"neighbours, with limits; signals: {len(chart.signals)}.",
    )
    return (
        Section(
            "Individual values and moving ranges", notes=(_CHART_NOTES,), plot=drawn, on=On.PAPER
        ),
        Section("Signals", table=words.signal_table(sample, chart), notes=none),
        Section("Rules", notes=(_RULE_NOTES,), table=words.rule_table(rules), on=On.PAPER),
    )


def _comparisons(sample: Sample, on: On) -> Iterator[Section]:
    for grouping in sample.groupings:
        chance = difference_chance(sample.values, grouping)
        told = "Every value, the mean of each group and its 95 % interval."
        if chance is not None:
            told += f" Chance of such differences if all were one: {chance_told(chance)}."
        if len(grouping.groups) > MOST_GROUPS:
            told += f" Drawn are the first {MOST_GROUPS} groups."
        drawn = plot(
            f"by-{_file_name(grouping.name)}", partial(comparison, sample, grouping),
            f"Values and means by {grouping.name}.",
        )
        table = words.group_table(sample, grouping)
        yield Section(f"By {grouping.name}", table=table, plot=drawn, notes=(told,), on=on)


def _file_name(text: str) -> str:
    """Make a file name of a user's words: letters and digits of any script, no path, not too long.

    >>> _file_name("material lot"), _file_name("../a/b:c"), _file_name("?")
    ('material-lot', 'a-b-c', 'group')
    """
    return re.sub(r"[\W_]+", "-", text).strip("-")[:_LONGEST_NAME] or "group"
