"""Reports of a capability study and of a chart of individual values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from labkit.documents.charts.canvas import files_of
from labkit.documents.charts.process_charts import (
    MOST_GROUPS,
    axis_words,
    comparison,
    decimals_of,
    histogram,
    individuals_chart,
    probability,
)
from labkit.documents.figures import fixed
from labkit.documents.process_report import Report, Section
from labkit.documents.process_words import (
    GROUP_HEAD,
    INDEX_HEAD,
    RULE_HEAD,
    SHARE_HEAD,
    SIGNAL_HEAD,
    SPREAD_HEAD,
    gauge_words,
    group_rows,
    index_rows,
    interval_words,
    normality_words,
    on_paper,
    risk_words,
    rule_rows,
    share_rows,
    signal_rows,
    spread_rows,
)
from labkit.qa.percent import chance_told
from labkit.qa.process.control_chart import Individuals
from labkit.qa.process.run_rules import Rule
from labkit.qa.process.sample import Sample, difference_chance
from labkit.qa.process.study import Study, chart_findings


def capability_report(study: Study, rules: Sequence[Rule], day: str) -> Report:
    """Make the report of a capability study."""
    sample = study.sample
    pictures = {
        **files_of("histogram", histogram(study)),
        **files_of("probability-plot", probability(study)),
    }
    sections = [
        Section("Indices", (_INDEX_WORDS,), INDEX_HEAD, index_rows(study)),
        Section("Spread", (), SPREAD_HEAD, spread_rows(study)),
        Section("Outside the limits", (interval_words(study),), SHARE_HEAD, share_rows(study)),
        Section(
            "Histogram", picture="histogram.svg",
            alt=f"Histogram of {study.capability.n} values of {axis_words(sample)} with limits and "
            "fitted normal curves.",
        ),
        Section(
            "Normal probability plot", (normality_words(study),), picture="probability-plot.svg",
            alt="Values on normal probability paper with the band of a normal population. "
            + normality_words(study),
        ),
    ]
    if study.chart is not None:
        more, drawn = _chart_sections(sample, study.chart, rules)
        sections += more
        pictures |= drawn
    for section, drawn in _comparisons(sample):
        sections.append(section)
        pictures |= drawn
    measuring = tuple(words for words in (gauge_words(study), risk_words(study)) if words)
    if measuring:
        sections.append(Section("Share of the measuring", measuring))
    return Report(
        title="Capability of a process",
        subtitle=axis_words(sample),
        facts=(*sample.about, *_limit_facts(study)),
        sections=tuple(sections),
        findings=tuple(map(on_paper, study.findings)),
        pictures=pictures,
        date=day,
        name="capability",
    )


def chart_report(sample: Sample, chart: Individuals, rules: Sequence[Rule], day: str) -> Report:
    """Make the report of a chart of individual values."""
    sections, pictures = _chart_sections(sample, chart, rules)
    for section, drawn in _comparisons(sample):
        sections.append(section)
        pictures |= drawn
    return Report(
        title="Chart of a process",
        subtitle=axis_words(sample),
        facts=(*sample.about, ("Values", str(len(sample.values)))),
        sections=tuple(sections),
        findings=tuple(map(on_paper, chart_findings(sample, chart, rules))),
        pictures=pictures,
        date=day,
        name="chart",
    )


#: Characters of a file name that come from a user's words.
_LONGEST_NAME = 40
_INDEX_WORDS = (
    "1.00 means that 3 standard deviations just fit between mean and limit. Cp and Cpk take the "
    "spread within, what a steady process could do; Pp and Ppk the spread of all values, what was "
    "delivered."
)
_CHART_WORDS = (
    "Limits: mean ± 3 standard deviations, found from the mean moving range. They tell what this "
    "process does, not what it shall do."
)


def _limit_facts(study: Study) -> Iterator[tuple[str, str]]:
    sample, found = study.sample, study.capability
    decimals = decimals_of(found.overall.spread.sd)
    unit = f" {sample.unit}" if sample.unit else ""
    for words, at in (
        ("Lower limit", found.limits.lower), ("Aim", found.limits.target),
        ("Upper limit", found.limits.upper),
    ):
        if at is not None:
            yield words, f"{fixed(at, decimals)}{unit}"
    yield "Values", f"{found.n}, mean {fixed(found.mean, decimals)}{unit}"


def _chart_sections(
    sample: Sample, chart: Individuals, rules: Sequence[Rule]
) -> tuple[list[Section], dict[str, bytes]]:
    found = signal_rows(sample, chart)
    sections = [
        Section(
            "Individual values and moving ranges", (_CHART_WORDS,), picture="individuals.svg",
            alt=f"Chart of {len(chart.values)} individual values in order and of the differences "
            f"of neighbours, with limits; signals: {len(chart.signals)}.",
        ),
        Section(
            "Signals", () if found else ("None: no rule found anything.",), SIGNAL_HEAD, found
        ),
        Section(
            "Rules",
            ("How often each gives a false alarm on a stable normal process whose mean and spread "
             "are known; with limits from few values there are more.",),
            RULE_HEAD, rule_rows(rules),
        ),
    ]
    return sections, files_of("individuals", individuals_chart(sample, chart))


def _comparisons(sample: Sample) -> Iterator[tuple[Section, dict[str, bytes]]]:
    for grouping in sample.groupings:
        name = f"by-{_file_name(grouping.name)}"
        chance = difference_chance(sample.values, grouping)
        words = "Every value, the mean of each group and its 95 % interval."
        if chance is not None:
            words += f" Chance of such differences if all were one: {chance_told(chance)}."
        if len(grouping.groups) > MOST_GROUPS:
            words += f" Drawn are the first {MOST_GROUPS} groups."
        yield (
            Section(
                f"By {grouping.name}", (words,), GROUP_HEAD, group_rows(sample, grouping),
                f"{name}.svg", f"Values and means by {grouping.name}.",
            ),
            files_of(name, comparison(sample, grouping)),
        )


def _file_name(words: str) -> str:
    """Make a file name of a user's words: letters and digits of any script, no path, not too long.

    >>> _file_name("material lot"), _file_name("../a/b:c"), _file_name("?")
    ('material-lot', 'a-b-c', 'group')
    """
    return re.sub(r"[\W_]+", "-", words).strip("-")[:_LONGEST_NAME] or "group"
