"""What a trial fit proposes, as values."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.case.cover import StepCover
from labkit.core.case.standing import HUNDRED_AND_NOISE, PairStanding
from labkit.core.case.trial_seen import Correct
from labkit.core.findings import Finding, refusals
from labkit.core.grading.prescription import Prescription
from labkit.core.numbers import NOISE_MM, Finite


@dataclass(frozen=True)
class Disagreement(Finite):
    """How left and right disagree.

    Formula: (D_left − L_left) − (D_right − L_right), L the model's lengths where their mean is
    that of D; allowed is the rods' length tolerance, the smaller of the two, + the step to which
    gaps are read.

    Args:
        mm: In rod length, left minus right of what remains against the recorded path.
    """

    mm: float
    allowed_mm: float

    @property
    def open(self) -> bool:
        """Whether the sides disagree by more than is allowed."""
        return abs(self.mm) > self.allowed_mm + NOISE_MM


@dataclass(frozen=True)
class Choice(Finite):
    """What can be done about sides that disagree.

    Args:
        words: What would be recorded; where it is not offered, why.
        range_mm: The range then; None where it is not offered.
    """

    correct: Correct
    words: str
    range_mm: float | None


@dataclass(frozen=True)
class PairNow(Finite):
    """A pair of rods in circulation, with what it means after the trial fit.

    Args:
        percent_before: On the range as recorded; None where it cannot be read back.
    """

    standing: PairStanding
    percent_before: float | None

    @property
    def pair(self) -> str:
        """Its name, such as "1/3"."""
        return self.standing.pair

    @property
    def name(self) -> str:
        """The pair in sentences, such as "set 1, step 3 (75.0 %, 31.4/31.6)"."""
        lengths = f"{self.standing.left or 'none'}/{self.standing.right or 'none'}"
        percent = "not readable" if self.percent is None else f"{self.percent:.1f} %"
        return f"{self.place} ({percent}, {lengths})"

    @property
    def place(self) -> str:
        """Its setting for people, such as "set 1, step 3"."""
        return self.standing.place or self.pair

    @property
    def percent(self) -> float | None:
        """Percent now."""
        return self.standing.percent

    @property
    def not_to_be_worn(self) -> bool:
        """Whether it is beyond the maximum by more than its own tolerance does."""
        return self.standing.not_to_be_worn

    @property
    def within_rounding(self) -> bool:
        """Whether it stands above 100 %, by no more than its own tolerance does."""
        percent = self.percent
        above = percent is not None and percent > HUNDRED_AND_NOISE
        return above and not self.not_to_be_worn


@dataclass(frozen=True)
class TrialProposal(Finite):
    """What would follow from a trial fit; nothing changes until the prescriber accepts it.

    Args:
        seats_mm: Distance of the seats at the true maximum, left and right.
        advancement_mm: True maximum, from zero, as read back.
        range_before_mm, range_mm: Protrusive range as recorded and as proposed.
        holds: The prescription as proposed; the jaw's path is that of the record, unless the
            midline deviation was corrected.
        labels_at_100: Labels of the 100 % rods of the range as proposed, left and right.
        confirmed: Whether the 100 % rods of the record are those read back, within their length
            tolerance: then the prescription, and all that follows from it, is as recorded.
        pairs: Pairs in circulation, by rising advancement.
        prescribed: Steps of the grading on the new range, with the rods that serve them.
        set_findings: What grading says of the prescription with the new range.
    """

    seats_mm: tuple[float, float]
    advancement_mm: float
    range_before_mm: float
    range_mm: float
    holds: Prescription
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
        disagreement: How left and right disagree; None where that cannot be told.
        choices: What can be done about it, where it is open.
    """

    proposal: TrialProposal | None
    findings: tuple[Finding, ...]
    disagreement: Disagreement | None = None
    choices: tuple[Choice, ...] = ()

    @property
    def refused(self) -> tuple[Finding, ...]:
        """The findings that stop the trial fit; empty where there is a proposal."""
        return refusals(self.findings)
