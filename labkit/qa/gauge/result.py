"""What a gauge study gives, whichever way it is worked out, and how it is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from labkit.core.numbers import Finite
from labkit.units import counted

#: Variation of a study is counted as this many standard deviations (99.73 % of a normal spread).
SPREAD = 6.0
#: Limits that the trade usually applies to the gauge's share of a spread, %, and to the number of
#: categories; they are a convention, not a law of statistics.
GOOD_PERCENT, POOR_PERCENT = 10.0, 30.0
LEAST_CATEGORIES = 5


class Variation(StrEnum):
    """Where readings differ, as a lab asks for it and in the order in which it does.

    Another person adds what is alike on every rod, and what changes from rod to rod.
    """

    REPEATABILITY = "same person, same rod"
    REPRODUCIBILITY = "another person adds"
    OPERATOR = "alike on every rod"
    INTERACTION = "changing from rod to rod"
    GAUGE = "the gauge together"
    PARTS = "rods differ"
    TOTAL = "all readings"


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
        share_interval: Interval of the gauge's share of the standard deviation of all readings.
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

    def share_of_variance(self, part: Variation) -> float:
        """Share of the variance of all readings; the shares of what is apart add up to 1."""
        return self[part].variance_mm2 / self[Variation.TOTAL].variance_mm2

    def share_of_spread(self, part: Variation) -> float:
        """Share of the standard deviation of all readings; the shares do not add up to 1."""
        return self[part].sd_mm / self[Variation.TOTAL].sd_mm

    def of_tolerance(self, sd_mm: float) -> float | None:
        """Share of the tolerance's whole width that 6 standard deviations take."""
        return None if self.tolerance_mm is None else SPREAD * sd_mm / (2.0 * self.tolerance_mm)

    def share_of_tolerance(self, part: Variation) -> float | None:
        """Share of the tolerance's whole width that this takes."""
        return self.of_tolerance(self[part].sd_mm)

    @property
    def distinct(self) -> float | None:
        """√2 · parts' sd / gauge's sd, before it is cut; None where the gauge shows no variation.

        Both are standard deviations: there is no further root.
        """
        gauge = self[Variation.GAUGE].sd_mm
        return math.sqrt(2.0) * self[Variation.PARTS].sd_mm / gauge if gauge else None

    @property
    def categories(self) -> int | None:
        """Groups of rods that the gauge can tell apart."""
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
    shares = [(result.share_of_spread(Variation.GAUGE), "of the spread of these readings")]
    tolerance = result.share_of_tolerance(Variation.GAUGE)
    if tolerance is not None:
        shares.insert(0, (tolerance, f"of the tolerance ± {result.tolerance_mm:g} mm"))
    enough = "enough" if count >= LEAST_CATEGORIES else "too few"
    return (
        *(f"The gauge takes {100 * share:.1f} % {of}: {verdict(100 * share)}."
          for share, of in shares),
        f"The gauge distinguishes {counted(count, 'group')} of these rods: {enough} (usual "
        f"practice: {LEAST_CATEGORIES} or more).",
        f"Usual practice: below {GOOD_PERCENT:g} % good, up to {POOR_PERCENT:g} % acceptable with "
        "reservations, above that not fit.",
    )


def verdict(percent: float) -> str:
    """Say what the trade's usual limits make of a share.

    >>> verdict(9.9), verdict(30.0), verdict(30.1)
    ('good', 'acceptable with reservations', 'not fit')
    """
    if percent < GOOD_PERCENT:
        return "good"
    return "acceptable with reservations" if percent <= POOR_PERCENT else "not fit"
