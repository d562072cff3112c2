"""What a gauge study gives, whichever way it is worked out, and how it is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from labkit.core.numbers import Finite

#: Variation of a study is counted as this many standard deviations (99.73 % of a normal spread).
SPREAD = 6.0
#: Limits that the trade usually applies to the gauge's share of a spread, %, and to the number of
#: categories; they are a convention, not a law of statistics.
GOOD_PERCENT, POOR_PERCENT = 10.0, 30.0
LEAST_CATEGORIES = 5


class Variation(StrEnum):
    """A component of the variation, in the order of the table."""

    GAUGE = "gauge, in all"
    REPEATABILITY = "repeatability"
    REPRODUCIBILITY = "reproducibility"
    OPERATOR = "operator"
    INTERACTION = "part × operator"
    PARTS = "part to part"
    TOTAL = "total"


@dataclass(frozen=True)
class Range(Finite):
    """A confidence interval."""

    lower: float
    upper: float


@dataclass(frozen=True)
class Component(Finite):
    """One component of the variation.

    Args:
        interval_mm: Confidence interval of its standard deviation, where the method gives one.
    """

    part: Variation
    variance_mm2: float
    interval_mm: Range | None = None

    @property
    def sd_mm(self) -> float:
        """Standard deviation, mm."""
        return math.sqrt(self.variance_mm2)


@dataclass(frozen=True)
class GaugeResult:
    """Components of a study.

    Args:
        components: In the order of the table; those that the method does not part are not there.
        share_interval: Interval of the gauge's share of the total standard deviation, %.
        categories_interval: Interval of √2 · parts' / gauge's standard deviation.
        notes: What was done on the way: variances set to zero, interaction pooled.
    """

    method: str
    components: tuple[Component, ...]
    repeatability_dof: float
    tolerance_mm: float | None = None
    share_interval: Range | None = None
    categories_interval: Range | None = None
    notes: tuple[str, ...] = ()

    def __getitem__(self, part: Variation) -> Component:
        """Give one component."""
        return next(component for component in self.components if component.part is part)

    def contribution_percent(self, part: Variation) -> float:
        """Share of the total variance, %."""
        return 100.0 * self[part].variance_mm2 / self[Variation.TOTAL].variance_mm2

    def study_percent(self, part: Variation) -> float:
        """Share of the total standard deviation, %; the shares do not add up to 100."""
        return 100.0 * self[part].sd_mm / self[Variation.TOTAL].sd_mm

    def tolerance_percent(self, part: Variation) -> float | None:
        """Share of the tolerance's width that 6 standard deviations take, %."""
        if self.tolerance_mm is None:
            return None
        return 100.0 * SPREAD * self[part].sd_mm / (2.0 * self.tolerance_mm)

    @property
    def distinct(self) -> float | None:
        """√2 · parts' sd / gauge's sd, before it is cut; None where the gauge shows no variation.

        Both are standard deviations: there is no further root.
        """
        gauge = self[Variation.GAUGE].sd_mm
        return math.sqrt(2.0) * self[Variation.PARTS].sd_mm / gauge if gauge else None

    @property
    def categories(self) -> int | None:
        """Number of distinct categories: classes of parts that the gauge can tell apart."""
        distinct = self.distinct
        return None if distinct is None else math.floor(distinct)


def judgements(result: GaugeResult) -> tuple[str, ...]:
    """Judge a gauge by the limits that the trade usually applies.

    Returns:
        Whole sentences; each names the convention.
    """
    count = result.categories
    if count is None:  # no verdict: readings that never differ are no sign of a good gauge
        return (
            "The gauge shows no variation at all, so that it cannot be judged: its step may be too "
            "coarse, or readings were copied.",
        )
    shares = [(result.study_percent(Variation.GAUGE), "of the variation in the study")]
    tolerance = result.tolerance_percent(Variation.GAUGE)
    if tolerance is not None:
        shares.append((tolerance, f"of the tolerance ± {result.tolerance_mm:g} mm"))
    enough = "enough" if count >= LEAST_CATEGORIES else "too few"
    return (
        *(f"The gauge takes {share:.1f} % {of}: {verdict(share)}." for share, of in shares),
        f"It tells {count} categories of these parts apart: {enough} (usual practice: "
        f"{LEAST_CATEGORIES} or more).",
    )


def verdict(percent: float) -> str:
    """Say what the trade's usual limits make of a share.

    >>> verdict(9.9)
    'good (usual practice: below 10 % good, 10 to 30 % may do, above 30 % not fit)'
    """
    words = "good" if percent < GOOD_PERCENT else "may do" if percent <= POOR_PERCENT else "not fit"
    return (
        f"{words} (usual practice: below {GOOD_PERCENT:g} % good, {GOOD_PERCENT:g} to "
        f"{POOR_PERCENT:g} % may do, above {POOR_PERCENT:g} % not fit)"
    )
