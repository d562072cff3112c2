"""Gauge study by analysis of variance: two-way crossed, or parts alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from labkit.errors import InputError
from labkit.qa.gauge.intervals import intervals
from labkit.qa.gauge.result import Component, GaugeResult, Variation
from labkit.qa.gauge.study import Study
from labkit.qa.gauge.variances import variances, with_sums
from labkit.qa.least_squares import f_tail

#: An interaction that chance alone explains with a greater probability than this is pooled.
POOLING_LEVEL = 0.25
CONFIDENCE = 0.95
METHOD = "analysis of variance"


@dataclass(frozen=True)
class Source:
    """One line of the table of an analysis of variance.

    Args:
        f: Ratio of its mean square to the one it is tested against, None if it is not tested.
    """

    name: str
    ss_mm2: float
    dof: int
    f: float | None = None
    p: float | None = None

    @property
    def ms_mm2(self) -> float:
        """Mean square."""
        return self.ss_mm2 / self.dof


@dataclass(frozen=True)
class Anova:
    """An analysis of variance.

    Args:
        sources: Parts, operators, interaction (where it is there), repeatability.
        total_ss_mm2: Sum of squares about the mean of all.
        interaction_p: Probability that decided on pooling, None without operators.
    """

    sources: tuple[Source, ...]
    total_ss_mm2: float
    total_dof: int
    pooled: tuple[Source, ...] | None = None
    interaction_p: float | None = None
    level: float = POOLING_LEVEL

    @property
    def used(self) -> tuple[Source, ...]:
        """The table that the components come from."""
        return self.sources if self.pooled is None else self.pooled


def anova(study: Study, level: float = POOLING_LEVEL) -> Anova:
    """Analyse a balanced study: parts and operators both random, with their interaction.

    Formula: sums of squares of the means; parts and operators are tested against the interaction,
    this against repeatability. An interaction with p above the level is pooled with repeatability,
    and parts and operators are tested against that.

    Args:
        level: Level for pooling; 1 never pools, 0 always.

    Returns:
        The table, and the pooled one where pooling took place; sums are worked out in whole
        numbers, so that readings which do not differ give exactly 0.

    Raises:
        InputError: The level is not from 0 to 1.

    >>> d = Decimal
    >>> study = Study(("1", "2"), ("",), (((d(1), d(2)),), ((d(5), d(6)),)))
    >>> [(source.ss_mm2, source.dof, source.f) for source in anova(study).sources]
    [(16.0, 1, 32.0), (1.0, 2, None)]

    Source: D. C. Montgomery, Design and Analysis of Experiments, two-factor random model (from
    memory); checked against published tables in tests/reference/test_published_gauge_studies.py.
    """
    if not 0 <= level <= 1:
        raise InputError(
            f"a level of {level:g} for pooling is not usable; give a probability from 0 to 1",
            field="level", value=level,
        )
    ss = _sums_of_squares(study)
    p, o, r = study.shape
    total = float(sum(ss))
    part = Source(Variation.PARTS, float(ss[0]), p - 1)
    error = Source(Variation.REPEATABILITY, float(ss[3]), p * o * (r - 1))
    if not study.has_operators:
        return Anova((_tested(part, error), error), total, p * r - 1, level=level)
    operator = Source(Variation.OPERATOR, float(ss[1]), o - 1)
    both = _tested(Source(Variation.INTERACTION, float(ss[2]), (p - 1) * (o - 1)), error)
    table = (_tested(part, both), _tested(operator, both), both, error)
    pooled = None
    if both.p is not None and both.p > level:
        rest = Source(Variation.REPEATABILITY, float(ss[2] + ss[3]), both.dof + error.dof)
        pooled = (_tested(part, rest), _tested(operator, rest), rest)
    return Anova(table, total, p * o * r - 1, pooled, both.p, level)


def gauge_by_anova(
    study: Study,
    tolerance_mm: float | None = None,
    level: float = POOLING_LEVEL,
    confidence: float = CONFIDENCE,
) -> tuple[GaugeResult, Anova]:
    """Work out the components of the variation by analysis of variance.

    Formula: with mean squares P, O, I, E of p parts, o operators and r trials: repeatability E,
    interaction (I − E)/r, operator (O − I)/(p r), parts (P − I)/(o r); after pooling E in place of
    I. A negative variance is set to zero.

    Returns:
        Components with generalized confidence intervals, and the table they come from.

    Raises:
        InputError: The level is not from 0 to 1, or the confidence not between.
    """
    table = anova(study, level)
    squares = [source.ms_mm2 for source in table.used]
    raw = variances(squares, study.shape)
    zeroed = [part for part, value in raw.items() if float(value) < 0]
    found = with_sums({part: max(0.0, float(value)) for part, value in raw.items()})
    spread = intervals(table.used, study.shape, confidence)
    components = tuple(
        Component(part, float(found[part]), spread.sd_mm.get(part))
        for part in Variation if part in found
    )
    error = table.used[-1]
    return GaugeResult(
        METHOD, components, error.dof, tolerance_mm, spread.share, spread.categories,
        (*_about_pooling(table), *(about_zero(part) for part in zeroed)),
    ), table


def probability(p: float) -> str:
    """Write a probability for people.

    >>> probability(0.0312), probability(1e-9)
    ('p = 0.031', 'p < 0.001')
    """
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


def _tested(source: Source, against: Source) -> Source:
    """Test a source against another; where neither varies there is nothing to find."""
    at_no_error = math.inf if source.ss_mm2 else 0.0
    f = source.ms_mm2 / against.ms_mm2 if against.ss_mm2 else at_no_error
    return Source(source.name, source.ss_mm2, source.dof, f, f_tail(f, source.dof, against.dof))


def _sums_of_squares(study: Study) -> tuple[Fraction, Fraction, Fraction, Fraction]:
    """Give the sums of squares of parts, operators, interaction and repeatability, exactly."""
    step, counts = _whole_steps(study)
    p, o, r = study.shape
    x = np.array(counts, dtype=object)
    centre = Fraction(int(x.sum()) ** 2, p * o * r)
    cells = Fraction(_squares(x.sum(axis=2)), r)
    part = Fraction(_squares(x.sum(axis=(1, 2))), o * r) - centre
    operator = Fraction(_squares(x.sum(axis=(0, 2))), p * r) - centre
    both = cells - centre - part - operator
    error = _squares(x) - cells
    scale = step * step
    return part * scale, operator * scale, both * scale, error * scale


def _squares(values: NDArray[np.object_]) -> int:
    return int((values * values).sum())


def _whole_steps(study: Study) -> tuple[Fraction, list[list[list[int]]]]:
    """Write the readings as whole numbers of their finest decimal step."""
    least = min(_exponent(v) for part in study.values_mm for cell in part for v in cell)
    counts = [[[int(v.scaleb(-least)) for v in cell] for cell in part] for part in study.values_mm]
    return Fraction(10) ** least, counts


def _exponent(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0


def _about_pooling(table: Anova) -> tuple[str, ...]:
    if table.interaction_p is None:
        return ()
    chance = probability(table.interaction_p)
    if table.pooled is None:
        return (
            f"What another person adds changes from rod to rod ({chance}, not above the level "
            f"{table.level:g} for pooling), so it is kept apart.",
        )
    return (
        f"What another person adds does not visibly change from rod to rod ({chance}, above the "
        f"level {table.level:g} for pooling), so it is pooled with `{Variation.REPEATABILITY}`.",
    )


def about_zero(part: Variation) -> str:
    """Say that a component came out below zero."""
    return (
        f"The variance of `{part}` came out below zero and is set to zero: the study shows none of "
        "it."
    )
