"""What a trial fit proposes, as values."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.case.cover import StepCover
from labkit.core.case.rods_out import PairOut
from labkit.core.findings import Finding, refusals
from labkit.core.grading.prescription import Bite
from labkit.core.numbers import Finite


@dataclass(frozen=True)
class PairNow(Finite):
    """A pair of rods out, with what it means after the trial fit.

    Args:
        rods: The pair; its advancement is what it was, its percent is the new one.
        percent_before: Percent of the range as recorded.
        above_100: Whether a rod reaches past the 100 % rod by more than its length tolerance, so
            that it must not be worn as 100 %.
    """

    rods: PairOut
    percent_before: float
    above_100: bool


@dataclass(frozen=True)
class TrialProposal(Finite):
    """What would follow from a trial fit; nothing changes until the prescriber accepts it.

    Args:
        seats_mm: Distance of the seats at the true maximum, left and right.
        advancement_mm: True maximum, from zero, as read back.
        side_mismatch_mm: Advancement by the left seats minus by the right ones.
        range_before_mm, range_mm: Protrusive range as recorded and as proposed.
        bite: Bite readings as proposed; the jaw's path is that of the record.
        labels_at_100: Labels of the true 100 % rods, left and right.
        confirmed: Whether the 100 % rods of the record are these within their length tolerance:
            the range stands as it is.
        pairs: Rods out, by rising advancement.
        prescribed: Steps of the grading on the new range, with the rods out that serve them.
        set_findings: What grading says of the prescription with the new range.
    """

    seats_mm: tuple[float, float]
    advancement_mm: float
    side_mismatch_mm: float
    range_before_mm: float
    range_mm: float
    bite: Bite
    labels_at_100: tuple[str, str]
    confirmed: bool
    pairs: tuple[PairNow, ...]
    prescribed: tuple[StepCover, ...]
    set_findings: tuple[Finding, ...]


@dataclass(frozen=True)
class TrialOutcome:
    """A proposal, or why there is none.

    Args:
        proposal: None where a rule of the trade refuses the trial.
    """

    proposal: TrialProposal | None
    findings: tuple[Finding, ...]

    @property
    def refused(self) -> tuple[Finding, ...]:
        """The findings that stop the trial fit; empty where there is a proposal."""
        return refusals(self.findings)
