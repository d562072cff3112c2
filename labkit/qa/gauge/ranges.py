"""Gauge study by averages and ranges: what can be worked out with pencil and paper."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.core.numbers import Finite
from labkit.errors import RefusedError
from labkit.qa.gauge.anova import about_zero
from labkit.qa.gauge.result import Component, GaugeResult, Variation
from labkit.qa.gauge.study import Study
from labkit.qa.process.control_chart import d2, d3

METHOD = "averages and ranges"
#: The constants are worked out for subgroups of at most this many.
MOST = 100


@dataclass(frozen=True)
class RangeTable(Finite):
    """What the method reads off the study.

    Args:
        mean_range_mm: R̄, mean of the ranges of the trials.
        operator_difference_mm: Greatest less smallest mean of an operator; None without operators.
        part_range_mm: Rp, greatest less smallest mean of a part.
        k1: 1/d2 of the trials.
        k2: 1/d2* of the operators, None without.
        k3: 1/d2* of the parts.
    """

    mean_range_mm: float
    operator_difference_mm: float | None
    part_range_mm: float
    k1: float
    k2: float | None
    k3: float


def d2_star(n: int, groups: int) -> float:
    """Give the divisor that turns the mean range of few subgroups into a standard deviation.

    Formula: d2* = √(d2² + d3²/g), so that (R̄/d2*)² is the variance in the mean.

    Returns:
        The constant; it tends to d2 with many subgroups.

    Raises:
        InputError: n is outside its range.

    >>> round(1 / d2_star(3, 1), 4), round(1 / d2_star(10, 1), 4)
    (0.5231, 0.3146)

    Source: A. J. Duncan, Quality Control and Industrial Statistics, table D3 (from memory).
    """
    return math.sqrt(d2(n) ** 2 + d3(n) ** 2 / groups)


def gauge_by_ranges(
    study: Study, tolerance_mm: float | None = None
) -> tuple[GaugeResult, RangeTable]:
    """Work out the components of the variation by averages and ranges.

    Formula: EV = K1 R̄; AV² = (K2 X̄diff)² − EV²/(p r), zero if negative; gauge² = EV² + AV²;
    PV = K3 Rp; total² = gauge² + PV², with K1 = 1/d2(r), K2 = 1/d2*(o, 1), K3 = 1/d2*(p, 1).

    Returns:
        Components without intervals, and what was read off the study. An interaction of parts and
        operators is not told from the rest: the analysis of variance does that.

    Raises:
        RefusedError: More than 100 parts, operators or trials.

    Source: the trade's average-and-range form; its constants are checked in
    tests/reference/test_published_gauge_studies.py.
    """
    if max(study.shape) > MOST:
        raise RefusedError(
            f"averages and ranges take at most {MOST} parts, operators and trials; use the "
            "analysis of variance (--method anova)"
        )
    table = _table(study)
    p, _, r = study.shape
    repeat = (table.k1 * table.mean_range_mm) ** 2
    found = {Variation.REPEATABILITY: repeat}
    notes = []
    if table.k2 is not None and table.operator_difference_mm is not None:
        seen = (table.k2 * table.operator_difference_mm) ** 2 - repeat / (p * r)
        found[Variation.REPRODUCIBILITY] = max(0.0, seen)
        if seen < 0:
            notes.append(about_zero(Variation.REPRODUCIBILITY))
    gauge = repeat + found.get(Variation.REPRODUCIBILITY, 0.0)
    parts = (table.k3 * table.part_range_mm) ** 2
    found |= {Variation.GAUGE: gauge, Variation.PARTS: parts, Variation.TOTAL: gauge + parts}
    components = tuple(Component(part, found[part]) for part in Variation if part in found)
    dof = _range_dof(r, study.shape[0] * study.shape[1])
    return GaugeResult(METHOD, components, dof, tolerance_mm, notes=tuple(notes)), table


def _table(study: Study) -> RangeTable:
    x = study.array()
    p, o, r = study.shape
    ranges = [float(max(cell) - min(cell)) for part in study.values_mm for cell in part]
    mean_range = math.fsum(ranges) / len(ranges)
    by_operator, by_part = x.mean(axis=(0, 2)), x.mean(axis=(1, 2))
    return RangeTable(
        mean_range_mm=mean_range,
        operator_difference_mm=float(by_operator.max() - by_operator.min()) if o > 1 else None,
        part_range_mm=float(by_part.max() - by_part.min()),
        k1=1.0 / d2(r),
        k2=1.0 / d2_star(o, 1) if o > 1 else None,
        k3=1.0 / d2_star(p, 1),
    )


def _range_dof(trials: int, groups: int) -> float:
    """Give the degrees of freedom of a standard deviation from ranges.

    Formula: its relative variance d3²/(g d2²) is that of a standard deviation with ν degrees of
    freedom, about 1/(2 ν).
    """
    return 0.5 * groups * (d2(trials) / d3(trials)) ** 2
