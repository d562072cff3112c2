"""Tables and sentences on a process: what its report prints on every medium."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any

from labkit.core.report import Column, Table
from labkit.documents.charts.process_charts import decimals_of
from labkit.documents.figures import fixed, on_paper
from labkit.qa.decision.conformance import Zone, acceptance_zone
from labkit.qa.decision.global_risk import global_risk, normal_production
from labkit.qa.least_squares import Estimate
from labkit.qa.percent import chance_told
from labkit.qa.process.capability import Indices
from labkit.qa.process.control_chart import RANGE_RATE, Individuals
from labkit.qa.process.normality import MANY_VALUES
from labkit.qa.process.run_rules import Rule
from labkit.qa.process.sample import Grouping, Sample, group_lines
from labkit.qa.process.study import Study
from labkit.qa.uncertainty import dof_told, tenths
from labkit.units import counted

#: Nobody reads more signals of a chart.
MOST_SIGNALS = 60
#: Of an index: what it is, its value, its interval where there is one, what it rests on.
Index = tuple[str, float, Estimate | None, str]


def index_rows(study: Study) -> tuple[Index, ...]:
    """Give the indices, by the names that their standard gives them."""
    return tuple(_index_rows(study))


def index_table(study: Study) -> Table:
    """Give the indices with their intervals."""
    columns = (
        Column("index"),
        Column("value", show=partial(fixed, decimals=2)),
        Column("95 % interval", show=lambda e: f"{fixed(e.lower, 2)} to {fixed(e.upper, 2)}"),
        Column("rests on"),
    )
    return Table(columns, index_rows(study))


def _index_rows(study: Study) -> Iterator[Index]:
    found, free = study.capability, study.percentiles
    if found.inherent is not None:
        yield from _indices(found.inherent, ("Cp", "Cpk"), "inherent spread")
    yield from _indices(found.total, ("Pp", "Ppk"), "total spread")
    if found.cpm is not None:
        yield "Cpm", found.cpm.value, found.cpm, "total spread and distance from the aim"
    # Those by percentiles where they are wanted: values not normal, or very many.
    many = found.n >= MANY_VALUES
    doubtful = study.normality is not None and study.normality.is_doubtful
    if free is not None and (many or doubtful):
        words = "percentiles" if many else "percentiles, at best"
        if free.of_width is not None:
            yield "Pp", free.of_width, None, words
        yield "Ppk", free.of_nearer, None, words


def _indices(each: Indices, names: tuple[str, str], words: str) -> Iterator[Index]:
    if each.of_width is not None:
        yield names[0], each.of_width.value, each.of_width, f"{words}, as if centred"
    side = "lower" if each.to_lower == each.of_nearer.value else "upper"
    yield names[1], each.of_nearer.value, each.of_nearer, f"{words}, {side} limit nearer"


def index_data(each: Indices | None, names: tuple[str, str]) -> dict[str, Any] | None:
    """Give one spread with its indices for programs."""
    if each is None:
        return None
    return {
        "sd": each.spread.sd,
        "degrees_of_freedom": tenths(each.spread.dof),
        "found_from": each.spread.basis,
        names[0]: each.of_width,
        names[1]: each.of_nearer,
    }


def spread_words(study: Study) -> tuple[str, ...]:
    """Say what the inherent and the total spread are."""
    found, unit = study.capability, f" {study.sample.unit}" if study.sample.unit else ""
    decimals = decimals_of(found.total.spread.sd) + 1
    return tuple(
        f"{name} spread: standard deviation {fixed(each.spread.sd, decimals)}{unit}, from "
        f"{each.spread.basis} ({dof_told(each.spread.dof)} degrees of freedom)."
        for name, each in (("Inherent", found.inherent), ("Total", found.total))
        if each is not None
    )


def outside_table(study: Study) -> Table:
    """Give how many rods lie outside: as counted, as delivered, and if the process stays steady."""
    found, (short, long) = study.capability, study.sample.ends
    steady = found.inherent
    rows = tuple(
        (
            words,
            f"{counted_there} of {found.n}",
            share(getattr(found.total, side)),
            None if steady is None else share(getattr(steady, side)),
        )
        for words, side, counted_there in (
            (short, "below", found.counted_below), (long, "above", found.counted_above),
            ("either", "outside", found.counted_below + found.counted_above),
        )
    )
    heads = ("", "as counted", "as delivered", "if the process\nstays steady")
    return Table(tuple(map(Column, heads)), rows)


def outside_data(study: Study) -> dict[str, Any]:
    """Give how many rods lie outside for programs: counts, and shares of 1."""
    found = study.capability
    below, above = found.counted_below, found.counted_above

    def shares(each: Indices | None) -> dict[str, float] | None:
        return None if each is None else {
            "under": each.below, "over": each.above, "either": each.outside,
        }

    return {
        "as_counted": {"under": below, "over": above, "either": below + above},
        "as_delivered": shares(found.total),
        "if_steady": shares(found.inherent),
    }


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
    decimals = decimals_of(study.capability.total.spread.sd)
    unit = f" {sample.unit}" if sample.unit else ""
    if interval.lower is not None and interval.upper is not None:
        lower, upper = fixed(interval.lower, decimals), fixed(interval.upper, decimals)
        place = f"between {lower} and {upper}{unit}"
    elif interval.upper is not None:
        place = f"below {fixed(interval.upper, decimals)}{unit}"
    else:
        assert interval.lower is not None
        place = f"above {fixed(interval.lower, decimals)}{unit}"
    return (
        f"With {interval.confidence:.0%} confidence, at least {interval.share:.0%} of all rods lie "
        f"{place}, if the process is stable and normal."
    ).replace("%", " %")


def gauge_words(study: Study) -> str | None:
    """Say how much of the spread is the measuring's own, None if its uncertainty is not known."""
    u, spread = study.sample.uncertainty, study.capability.total.spread.sd
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
    if u is None or lower is None or upper is None or not 0.0 < u < found.total.spread.sd:
        return None
    made = math.sqrt(found.total.spread.sd**2 - u**2)
    zone = acceptance_zone(lower, upper, u)
    risk = global_risk(normal_production(found.mean, made), u, Zone(lower, upper), zone)
    if zone is None or risk.accepted <= 0.0:
        return "With this gauge there is no acceptance zone: no piece could be released."
    return (
        f"If pieces go on like this and are released by the decision rule, {share(risk.accepted)} "
        f"are released; of those {share(risk.nonconforming_of_accepted)} lie outside the limits; "
        f"{share(risk.producer)} of all pieces lie inside and are not released."
    )


def group_table(sample: Sample, grouping: Grouping) -> Table:
    """Give groups side by side."""
    reach = max(sample.values) - min(sample.values)
    show = partial(fixed, decimals=decimals_of(reach / 4))
    columns = (
        Column("group", "mark"),
        Column("n", "n"),
        Column("mean", "mean", show=show),
        Column("standard deviation", "sd", show=show),
        Column("lowest", "lowest", show=show),
        Column("highest", "highest", show=show),
    )
    return Table.of(columns, group_lines(sample.values, grouping))


def signal_table(sample: Sample, chart: Individuals) -> Table:
    """Give what was found on a chart; of very many signals the first."""
    told = chart.signals[:MOST_SIGNALS]
    rows = [(sample.names[s.index], on_paper(s.sentence)) for s in told]
    if rest := len(chart.signals) - len(told):
        rows.append(("…", f"And {counted(rest, 'more signal')}; --json lists all."))
    return Table((Column("value"), Column("what was found")), tuple(rows))


def limit_table(chart: Individuals) -> Table:
    """Give the limits of a chart."""
    show = partial(fixed, decimals=decimals_of(chart.sigma))
    values = (Column(head, show=show) for head in ("lower", "mean", "upper"))
    return Table(
        (Column("panel"), *values),
        (
            ("individual values", chart.lower, chart.centre, chart.upper),
            ("moving ranges", 0.0, chart.mean_range, chart.range_upper),
        ),
    )


def rule_table(rules: Iterable[Rule]) -> Table:
    """Give the rules, and how often each gives a false alarm."""
    named = [(rule.words, rule.rate) for rule in rules]
    named.append(("a moving range above its limit", RANGE_RATE))
    often = Column("false alarms: 1 point in", show=lambda rate: f"{1 / rate:.0f}")
    return Table((Column("rule"), often), tuple(named))
