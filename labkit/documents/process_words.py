"""What screen and paper say of a process: the same rows and sentences on both."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator

from labkit.documents.charts.process_charts import decimals_of
from labkit.documents.figures import MINUS, fixed, sentence
from labkit.qa.decision.conformance import Zone, acceptance_zone
from labkit.qa.decision.global_risk import global_risk, normal_production
from labkit.qa.percent import chance_told
from labkit.qa.process.capability import Estimate, Indices
from labkit.qa.process.control_chart import RANGE_RATE, Individuals
from labkit.qa.process.normality import MANY_VALUES
from labkit.qa.process.run_rules import Rule
from labkit.qa.process.sample import Grouping, Sample, group_lines
from labkit.qa.process.study import Study
from labkit.units import counted

Row = tuple[str, ...]
INDEX_HEAD = ("index", "value", "95 % interval", "from")
SPREAD_HEAD = ("spread", "standard deviation", "degrees of freedom", "found from")
SHARE_HEAD = ("share outside", "below", "above", "together")
GROUP_HEAD = ("group", "n", "mean", "standard deviation", "lowest", "highest")
RULE_HEAD = ("rule", "false alarms: 1 point in")
SIGNAL_HEAD = ("value", "what was found")
LIMIT_HEAD = ("panel", "lower", "mean", "upper")
#: Nobody reads more of them.
MOST_SIGNALS = 60
_NONE = "–"


def index_rows(study: Study) -> tuple[Row, ...]:
    """Give the indices as rows under `INDEX_HEAD`."""
    found = study.capability
    rows: list[Row] = []
    for each, names, words in (
        (found.within, ("Cp", "Cpk"), "spread within"),
        (found.overall, ("Pp", "Ppk"), "all values"),
    ):
        if each is not None:
            rows += _indices(each, names, words)
    if found.target is not None:
        rows.append(("Cpm", *_estimate(found.target), "all values, aim counted"))
    return (*rows, *_free_rows(study))


def _free_rows(study: Study) -> Iterator[Row]:
    """Give the indices by percentiles where they are wanted: values not normal, or very many."""
    free, many = study.percentiles, study.capability.n >= MANY_VALUES
    doubtful = study.normality is not None and study.normality.is_doubtful
    if free is None or not (many or doubtful):
        return
    words = "percentiles" if many else "percentiles, at best"
    if free.potential is not None:
        yield ("Pp", fixed(free.potential, 2), _NONE, words)
    yield ("Ppk", fixed(free.performance, 2), _NONE, words)


def _indices(each: Indices, names: tuple[str, str], words: str) -> Iterator[Row]:
    if each.potential is not None:
        yield (names[0], *_estimate(each.potential), f"{words}, as if centred")
    side = "lower" if each.to_lower == each.performance.value else "upper"
    yield (names[1], *_estimate(each.performance), f"{words}, {side} limit nearer")


def _estimate(estimate: Estimate) -> tuple[str, str]:
    between = f"{fixed(estimate.lower, 2)} to {fixed(estimate.upper, 2)}"
    return fixed(estimate.value, 2), between


def spread_rows(study: Study) -> tuple[Row, ...]:
    """Give the standard deviations as rows under `SPREAD_HEAD`."""
    found = study.capability
    decimals = decimals_of(found.overall.spread.sd) + 1
    named = (("within", found.within), ("overall", found.overall))
    return tuple(
        (
            name, fixed(each.spread.sd, decimals), f"{each.spread.dof:.1f}".removesuffix(".0"),
            each.spread.basis,
        )
        for name, each in named
        if each is not None
    )


def share_rows(study: Study) -> tuple[Row, ...]:
    """Give the shares outside as rows under `SHARE_HEAD`: expected and counted."""
    found = study.capability
    rows = [
        (f"expected, {words}", share(each.below), share(each.above), share(each.outside))
        for each, words in ((found.within, "within"), (found.overall, "overall"))
        if each is not None
    ]
    together = found.found_below + found.found_above
    counts = (found.found_below, found.found_above, together)
    return (*rows, ("counted", *(f"{count} of {found.n}" for count in counts)))


def share(part: float) -> str:
    """Write a share of rods.

    >>> share(0.0123), share(0.000004), share(0.0), share(0.99997)
    ('1.2 %', '4 per million', '< 0.1 per million', '> 99.99 %')
    """
    if part > 0.9999:
        return "> 99.99 %"
    if part >= 1e-4:
        return f"{100 * part:.2g} %" if part < 0.995 else f"{100 * part:.4g} %"
    return f"{1e6 * part:.2g} per million" if part >= 1e-6 else (
        f"{1e6 * part:.1f} per million" if part >= 1e-7 else "< 0.1 per million"
    )


def normality_words(study: Study) -> str:
    """Say in one sentence what the test for a normal distribution found."""
    test = study.normality
    if test is None:
        return "Fewer than eight values: nothing can be said about their distribution."
    verdict = "speaks against" if test.is_doubtful else "does not speak against"
    return (
        f"Anderson–Darling A² = {test.statistic:.3f}, p {chance_told(test.p)}: {verdict} a normal "
        f"distribution. Skewness {fixed(test.skewness, 2)}, excess {fixed(test.excess, 2)}."
    )


def interval_words(study: Study) -> str:
    """Say in one sentence where nearly all rods lie."""
    interval, sample = study.interval, study.sample
    decimals = decimals_of(study.capability.overall.spread.sd)
    unit = f" {sample.unit}" if sample.unit else ""
    if interval.lower is not None and interval.upper is not None:
        place = f"from {fixed(interval.lower, decimals)} to {fixed(interval.upper, decimals)}{unit}"
    elif interval.upper is not None:
        place = f"below {fixed(interval.upper, decimals)}{unit}"
    else:
        assert interval.lower is not None
        place = f"above {fixed(interval.lower, decimals)}{unit}"
    return (
        f"It is {interval.confidence:.0%} sure that {interval.share:.0%} of all pieces lie "
        f"{place}, if the process is stable and normal."
    ).replace("%", " %")


def gauge_words(study: Study) -> str | None:
    """Say how much of the spread is the measuring's own, None if its uncertainty is not known."""
    u, spread = study.sample.uncertainty, study.capability.overall.spread.sd
    if u is None:
        return None
    unit = f" {study.sample.unit}" if study.sample.unit else ""
    return (
        f"The measuring's standard uncertainty is {u:.3g}{unit}: {u / spread:.0%} of the standard "
        f"deviation, {u**2 / spread**2:.0%} of the variance. What it adds by chance widens the "
        "spread; what it adds to all readings alike shifts the mean and does not show here."
    ).replace("%", " %")


def risk_words(study: Study) -> str | None:
    """Say what sorting by the decision rule would let through, None where that cannot be said."""
    u, found = study.sample.uncertainty, study.capability
    lower, upper = found.limits.lower, found.limits.upper
    if u is None or lower is None or upper is None or not 0.0 < u < found.overall.spread.sd:
        return None
    made = math.sqrt(found.overall.spread.sd**2 - u**2)
    zone = acceptance_zone(lower, upper, u)
    risk = global_risk(normal_production(found.mean, made), u, Zone(lower, upper), zone)
    if zone is None or risk.accepted <= 0.0:
        return "With this gauge there is no acceptance zone: no piece could be released."
    return (
        f"If pieces go on like this and are released by the decision rule, {share(risk.accepted)} "
        f"are released; of those {share(risk.nonconforming_of_accepted)} lie outside the limits; "
        f"{share(risk.producer)} of all pieces lie inside and are not released."
    )


def on_paper(words: str) -> str:
    """Make a sentence of a finding, numbers below zero with a true minus sign.

    >>> on_paper("from -0.52 to 2, for QF-1043 since 2031-03-14; see --lot")
    'From −0.52 to 2, for QF-1043 since 2031-03-14; see --lot.'
    """
    return sentence(re.sub(r"(?<![\w-])-(?=\d)", MINUS, words))


def group_rows(sample: Sample, grouping: Grouping) -> tuple[Row, ...]:
    """Give groups side by side as rows under `GROUP_HEAD`."""
    lines = group_lines(sample.values, grouping)
    reach = max(sample.values) - min(sample.values)
    decimals = decimals_of(reach / 4)
    return tuple(
        (
            line.mark, str(line.n), fixed(line.mean, decimals),
            _NONE if line.sd is None else fixed(line.sd, decimals),
            fixed(line.lowest, decimals), fixed(line.highest, decimals),
        )
        for line in lines
    )


def signal_rows(sample: Sample, chart: Individuals) -> tuple[Row, ...]:
    """Give what was found on a chart as rows under `SIGNAL_HEAD`; of very many the first."""
    told = chart.signals[:MOST_SIGNALS]
    rows = [(sample.names[s.index], on_paper(s.sentence)) for s in told]
    if rest := len(chart.signals) - len(told):
        rows.append(("…", f"And {counted(rest, 'more signal')}; --json lists all."))
    return tuple(rows)


def limit_rows(chart: Individuals) -> tuple[Row, ...]:
    """Give the limits of a chart as rows under `LIMIT_HEAD`."""
    decimals = decimals_of(chart.sigma)
    values = (chart.lower, chart.centre, chart.upper)
    ranges = (0.0, chart.mean_range, chart.range_upper)
    return (
        ("individual values", *(fixed(value, decimals) for value in values)),
        ("moving ranges", *(fixed(value, decimals) for value in ranges)),
    )


def rule_rows(rules: Iterable[Rule]) -> tuple[Row, ...]:
    """Give the rules as rows under `RULE_HEAD`."""
    named = [(rule.words, rule.rate) for rule in rules]
    named.append(("a moving range above its limit", RANGE_RATE))
    return tuple((words, f"{1 / rate:.0f}") for words, rate in named)
