"""A whole capability study of one sample, and in plain sentences what it does and does not show."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from labkit.errors import InputError, RefusedError
from labkit.qa.percent import chance_told
from labkit.qa.process.capability import Capability, capability
from labkit.qa.process.control_chart import (
    FEW_VALUES,
    LEAST_VALUES,
    Individuals,
    chance_of_signals,
    individuals,
)
from labkit.qa.process.normality import (
    MANY_VALUES,
    Normality,
    Percentiles,
    normality,
    percentiles,
)
from labkit.qa.process.run_rules import USUAL, Rule
from labkit.qa.process.sample import DIFFERENT, Sample, difference_chance
from labkit.qa.process.tolerance_interval import one_sided_factor, two_sided_factor
from labkit.units import counted

#: Share of all rods that the tolerance interval is worked out for.
SHARE = 0.99
#: From here the interval of an index is about ± 14 % wide, and from FEW_VALUES ± 26 %.
ENOUGH_VALUES = 100
#: A gauge that makes up more of the variance than this hides the process.
MUCH_OF_VARIANCE = 0.1
#: All values spread so much wider than neighbours: the level moves.
MOVING_LEVEL = 1.25
#: As many signals come by chance alone less often than this: the process moves.
BY_CHANCE = 0.05
_OFTEN = "a stable process of this length often shows this many"
#: Centring would gain at least this much index.
WORTH_CENTRING = 0.1


@dataclass(frozen=True)
class ToleranceInterval:
    """Where a share of all rods lies.

    Args:
        confidence: How sure that is, if the process is stable and normal.
    """

    lower: float | None
    upper: float | None
    share: float
    confidence: float


@dataclass(frozen=True)
class Study:
    """What a sample shows about its process.

    Args:
        chart: Chart of individual values, None for fewer than three values.
        normality: Test for a normal distribution, None for fewer than eight values.
        percentiles: Indices without a distribution, None where percentiles give none.
        interval: Where 99 % of all rods lie.
    """

    sample: Sample
    capability: Capability
    chart: Individuals | None
    normality: Normality | None
    percentiles: Percentiles | None
    interval: ToleranceInterval
    findings: tuple[str, ...]


def study(sample: Sample, rules: Sequence[Rule] = USUAL) -> Study:
    """Study the capability of a process.

    Raises:
        InputError: The sample has no limits.
        RefusedError: Too few values, or they do not differ.
    """
    if sample.limits is None:
        raise InputError("capability needs limits; give a lower limit, an upper limit or both")
    marks = sample.subgroups.marks if sample.subgroups else None
    found = capability(sample.values, sample.limits, marks)
    chart = individuals(sample.values, rules) if found.n >= LEAST_VALUES else None
    test = normality(sample.values)
    free = _percentiles(sample)
    findings = (
        *_about_stability(sample, chart, rules),
        *_about_number(found),
        *_about_outside(sample, found),
        *_about_fit(found),
        *_about_normality(found, test, free),
        *_about_level(sample, found, chart),
        *_about_groups(sample),
        *_about_gauge(sample, found, chart),
        *sample.notes,
    )
    return Study(sample, found, chart, test, free, _interval(found), findings)


def chart_findings(
    sample: Sample, chart: Individuals, rules: Sequence[Rule] = USUAL
) -> tuple[str, ...]:
    """Say what a chart alone shows."""
    few = (
        f"only {counted(len(chart.values), 'value')}: the limits themselves are uncertain; they "
        f"settle from about {FEW_VALUES} values",
    ) if len(chart.values) < FEW_VALUES else ()
    signals: tuple[str, ...] = ()
    if chart.signals:
        chance = chance_of_signals(len(chart.signals), len(chart.values), rules)
        verdict = "the process is not stable" if chance < BY_CHANCE else _OFTEN
        signals = (f"{_signals(sample, chart)}: {verdict}; look for what changed there",)
    return (*signals, *few, *_coarse(chart), *_about_groups(sample), *sample.notes)


def _interval(found: Capability) -> ToleranceInterval:
    sd, n, limits = found.total.spread.sd, found.n, found.limits
    if limits.lower is not None and limits.upper is not None:
        k = two_sided_factor(n, SHARE, found.confidence)
    else:
        k = one_sided_factor(n, SHARE, found.confidence)
    return ToleranceInterval(
        None if limits.lower is None else found.mean - k * sd,
        None if limits.upper is None else found.mean + k * sd,
        SHARE,
        found.confidence,
    )


def _percentiles(sample: Sample) -> Percentiles | None:
    assert sample.limits is not None
    try:
        return percentiles(sample.values, sample.limits.lower, sample.limits.upper)
    except RefusedError:
        return None


def _about_stability(
    sample: Sample, chart: Individuals | None, rules: Sequence[Rule]
) -> Iterator[str]:
    if chart is None:
        yield "whether the process is stable cannot be seen from two values"
    elif chart.signals:
        what = _signals(sample, chart)
        chance = chance_of_signals(len(chart.signals), len(chart.values), rules)
        if chance < BY_CHANCE:
            yield (
                f"Cpk of an unstable process predicts nothing: {what}; find out what changed there "
                "before the indices are used"
            )
        else:
            yield (
                f"{what}; {_OFTEN}. If one of them has a cause, Cpk does not predict future rods; "
                "check that point first"
            )


def _signals(sample: Sample, chart: Individuals) -> str:
    """Say how many signals there are and where the first one is."""
    count, first = len(chart.signals), sample.names[chart.signals[0].index]
    shows = f"the chart of {len(chart.values)} values shows {counted(count, 'signal')}"
    return f"{shows}, at {first}" if count == 1 else f"{shows}, the first at {first}"


def _about_number(found: Capability) -> Iterator[str]:
    index = found.total.of_nearer
    between = f"the true Ppk may lie anywhere from {index.lower:.2f} to {index.upper:.2f}"
    if found.n < FEW_VALUES:
        yield (
            f"only {counted(found.n, 'value')}: {between}; that is no statement yet, measure at "
            f"least {FEW_VALUES}, better {ENOUGH_VALUES} rods"
        )
    elif found.n < ENOUGH_VALUES:
        yield f"{found.n} values: {between}; {ENOUGH_VALUES} would narrow that to about ± 14 %"


def _about_outside(sample: Sample, found: Capability) -> Iterator[str]:
    outside = found.counted_below + found.counted_above
    if outside:
        yield (
            f"{outside} of {found.n} measured values lie outside the limits "
            f"({found.counted_below} {sample.ends[0]}, {found.counted_above} {sample.ends[1]})"
        )


def _about_fit(found: Capability) -> Iterator[str]:
    index = found.total.of_nearer
    words = f"Ppk {index.value:.2f} ({index.lower:.2f} to {index.upper:.2f})"
    if index.upper < 1.0:
        yield f"{words}: the process does not keep these limits"
    elif index.lower < 1.0:
        yield f"{words}: that the process keeps these limits is not shown"


def _about_normality(
    found: Capability, test: Normality | None, free: Percentiles | None
) -> Iterator[str]:
    if test is None or not test.is_doubtful:
        return
    tail = "long tail to the top" if test.skewness > 0 else "long tail to the bottom"
    shape = tail if abs(test.skewness) > 2.0 * math.sqrt(6.0 / test.n) else "shape"
    sentence = (
        "the values do not follow a normal distribution (Anderson–Darling p "
        f"{chance_told(test.p)}, {shape}): the shares outside and the indices above are not valid "
        "for them"
    )
    if free is not None:
        sentence += f"; the percentile method gives Ppk {free.of_nearer:.2f}"
        if found.n < MANY_VALUES:
            sentence += (
                f", which is at best: with {found.n} values its outer percentiles are the "
                "outermost values themselves"
            )
    yield sentence


def _about_level(sample: Sample, found: Capability, chart: Individuals | None) -> Iterator[str]:
    inherent, total, limits = found.inherent, found.total, found.limits
    if inherent and chart and found.n >= 20:
        ratio = total.spread.sd / inherent.spread.sd
        if ratio > MOVING_LEVEL:
            yield (
                f"all values spread {ratio:.1f} times as wide as {_inherent_words(sample)}: the "
                "level moves; Cpk shows what a steady process could do, Ppk what was delivered"
            )
    if limits.width is None or total.of_width is None:
        return
    middle = limits.target if limits.target is not None else limits.lower + limits.width / 2  # type: ignore[operator]
    off = found.mean - middle
    sure = abs(off) > 2.0 * total.spread.sd / math.sqrt(found.n)
    if sure and total.of_width.value - total.of_nearer.value > WORTH_CENTRING:
        yield (
            f"the mean lies {abs(off):.3g}{_unit(sample)} {'above' if off > 0 else 'below'} the "
            f"aim; centred, Ppk would be {total.of_width.value:.2f} instead of "
            f"{total.of_nearer.value:.2f}"
        )


def _about_groups(sample: Sample) -> Iterator[str]:
    for grouping in sample.groupings:
        chance = difference_chance(sample.values, grouping)
        if chance is not None and chance < DIFFERENT:
            yield (
                f"the means differ by {grouping.name} (p {chance_told(chance)}): look at the "
                "comparison, and study the groups one by one"
            )


def _about_gauge(
    sample: Sample, found: Capability, chart: Individuals | None
) -> Iterator[str]:
    if chart is not None:
        yield from _coarse(chart)
    if sample.uncertainty is not None:
        share = sample.uncertainty**2 / found.total.spread.sd**2
        if share >= 1.0:
            yield (
                f"the measuring's standard uncertainty of {sample.uncertainty:.3g}{_unit(sample)} "
                "is as large as the whole spread: nothing can be said about the process"
            )
        elif share > MUCH_OF_VARIANCE:
            yield (
                f"measuring makes up {100 * share:.0f} % of the variance: the process itself is "
                "better than these indices; a better gauge would show how much"
            )


def _coarse(chart: Individuals) -> Iterator[str]:
    if chart.is_coarse:
        yield (
            f"the values take only {len(set(chart.values))} different amounts: the gauge's step "
            "is too coarse for this process"
        )


def _inherent_words(sample: Sample) -> str:
    return f"inside one {sample.subgroups.name}" if sample.subgroups else "from one to the next"


def _unit(sample: Sample) -> str:
    return f" {sample.unit}" if sample.unit else ""
