"""The standing of a case: what holds now, and what every rod in circulation makes today."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from labkit.core.case.cover import StepCover, TolerancedRod, cover_step
from labkit.core.case.rod_life import IN_CIRCULATION, OUT_OF_HOUSE, RodState
from labkit.core.case.standing import (
    HUNDRED_AND_NOISE,
    PairStanding,
    RangeNow,
    pairs_not_to_be_worn,
    pairs_standing,
)
from labkit.core.grading.grade import check_recorded, grade
from labkit.core.grading.prescription import MOST_SIDEWAYS_MM, Prescription, Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.numbers import Finite
from labkit.units import millimetres


@dataclass(frozen=True)
class CaseRod:
    """A rod of a case, also one that is no longer in circulation.

    Args:
        rod: Pair, side and label, with the tolerance that it was made with.
        set_number: Number of the set in which its place was first made; `step` is of that set.
        since: Day of its last state.
    """

    rod: TolerancedRod
    identifier: str
    set_number: int
    step: int
    state: RodState
    since: str

    @property
    def as_is_mm(self) -> float | None:
        """What it measures, where it is used although it does not conform; else None."""
        return self.rod.rod.measured_mm

    @property
    def in_circulation(self) -> bool:
        """Whether it is there to be worn, or on its way."""
        return self.state in IN_CIRCULATION


@dataclass(frozen=True)
class PairNow:
    """The rods of one setting, and what they make now.

    Args:
        makes: None where no rod of the setting is in circulation.
        rods: Those in circulation.
        gone: The last rod of each side whose place is empty.
        serves: Prescribed percentages that the pair serves.
        start: Whether one of these is the prescribed start.
    """

    set_number: int
    step: int
    makes: PairStanding | None
    rods: Mapping[Side, CaseRod]
    gone: Mapping[Side, CaseRod]
    serves: tuple[float, ...] = ()
    start: bool = False

    @property
    def lengths(self) -> str:
        """Its labels, left before right, such as "31.4/31.6"."""
        return "/".join(
            self.rods[side].rod.rod.label if side in self.rods else "none" for side in Side
        )

    @property
    def name(self) -> str:
        """It in sentences, such as "set 1, step 3 (75.0 %, 31.4/31.6)"; an empty one without."""
        if not self.rods:
            return f"set {self.set_number}, step {self.step}"
        percent = None if self.makes is None else self.makes.percent
        told = "" if percent is None else f"{percent:.1f} %, "
        return f"set {self.set_number}, step {self.step} ({told}{self.lengths})"

    @property
    def not_to_be_worn(self) -> bool:
        """Whether it makes more than the maximum by more than its own tolerance does."""
        return self.makes is not None and self.makes.not_to_be_worn

    @property
    def within_rounding(self) -> bool:
        """Whether it makes more than the maximum, but by no more than its tolerance does."""
        percent = None if self.makes is None else self.makes.percent
        return percent is not None and percent > HUNDRED_AND_NOISE and not self.not_to_be_worn

    @property
    def words(self) -> str:
        """What must be said wherever it is named; empty where nothing must."""
        if self.not_to_be_worn:
            return "NOT TO BE WORN"
        rounding = ["100 % within rounding"] if self.within_rounding else []
        as_is = [
            f"{side} rod used as is, {millimetres(rod.as_is_mm, 3)} mm measured"
            for side, rod in self.rods.items() if rod.as_is_mm is not None
        ]
        return "; ".join(rounding + as_is)

    @property
    def out_of_house(self) -> tuple[CaseRod, ...]:
        """Its rods that are with the clinic or the wearer."""
        return tuple(rod for rod in self.rods.values() if rod.state in OUT_OF_HOUSE)


@dataclass(frozen=True)
class SetOfCase(Finite):
    """A set of a case.

    Args:
        number: Among the sets of the case, from 1.
        range_mm: Range that it was made for.
        changed: Whether its rods make other percents now than when they were made.
    """

    name: str
    number: int
    range_mm: float
    changed: bool


@dataclass(frozen=True)
class CaseStanding:
    """What holds now.

    Args:
        entry, on: The last entry of the record that it takes into account, and its day.
        sets: Those that were made or are being made.
        pairs: By rising advancement; then those that cannot be read back, then empty places.
        most_sideways_mm: How far rods within tolerance may let the jaw move sideways, ±.
        asked_start: Percent of the prescribed start; None where none is named or nobody asks.
    """

    case: str
    revision: int
    now: RangeNow
    entry: int
    on: str
    sets: tuple[SetOfCase, ...]
    pairs: tuple[PairNow, ...]
    most_sideways_mm: float = float(MOST_SIDEWAYS_MM)
    asked_start: float | None = None

    @property
    def asked_back(self) -> tuple[CaseRod, ...]:
        """Rods that are out of the house and not to be worn."""
        return tuple(
            rod for pair in self.pairs if pair.not_to_be_worn for rod in pair.out_of_house
        )

    @property
    def in_the_mouth(self) -> tuple[tuple[PairNow, CaseRod], ...]:
        """Rods that are recorded as fitted, each with its setting."""
        return tuple(
            (pair, rod) for pair in self.pairs for rod in pair.rods.values()
            if rod.state is RodState.FITTED
        )

    @property
    def true_as_of(self) -> str:
        """When it is true, for papers and screens."""
        return true_as_of(self.entry, self.on)

    @property
    def in_circulation(self) -> tuple[PairNow, ...]:
        """The settings with a rod in circulation."""
        return tuple(pair for pair in self.pairs if pair.rods)

    @property
    def start(self) -> PairNow | None:
        """The pair that serves the prescribed start."""
        return next((pair for pair in self.pairs if pair.start), None)

    def at(self, set_number: int, step: int) -> PairNow | None:
        """Find a setting; None where the case has no such."""
        return next(
            (pair for pair in self.pairs if (pair.set_number, pair.step) == (set_number, step)),
            None,
        )

    def of_rod(self, identifier: str) -> PairNow | None:
        """Find the setting of a rod in circulation."""
        return next(
            (pair for pair in self.pairs
             if any(rod.identifier == identifier for rod in pair.rods.values())), None
        )


def asked_back(rods: Iterable[CaseRod], prescription: Prescription) -> tuple[CaseRod, ...]:
    """Pick the rods that are asked back, without the rest of what holds now.

    Args:
        rods: Every rod that was made or is being made.
        prescription: The one that holds now.

    Returns:
        Those of `CaseStanding.asked_back`, in the order given.
    """
    there = {
        (rod.rod.rod.pair, rod.rod.rod.side): rod for rod in rods if rod.in_circulation
    }
    struck = pairs_not_to_be_worn((rod.rod for rod in there.values()), prescription)
    return tuple(
        rod for (pair, _), rod in there.items() if pair in struck and rod.state in OUT_OF_HOUSE
    )


def true_as_of(entry: int, on: str) -> str:
    """Say for which entry of the record, and which day, something is true."""
    return f"True as of entry {entry} of the record, {on}"


@dataclass(frozen=True)
class SetStanding:
    """The part of a case's standing that belongs to one set's papers.

    Args:
        own: Number of the set whose places its rods fill.
        entry, on: Last entry of the record that changes what its papers say, and its day.
        marks: What each rod that is made bears after its length, by identifier: "", "L" or "R".
    """

    case: CaseStanding
    own: int
    entry: int
    on: str
    marks: Mapping[str, str] = field(default_factory=dict)

    @property
    def true_as_of(self) -> str:
        """When the papers are true."""
        return true_as_of(self.entry, self.on)

    def engraved(self, rod: CaseRod) -> str:
        """What stands on a rod, such as "31.4" or "31.4L"."""
        unmade = rod.rod.rod.side[0].upper() if any(self.marks.values()) else ""
        return rod.rod.rod.label + self.marks.get(rod.identifier, unmade)

    @property
    def series(self) -> tuple[PairNow, ...]:
        """Every pair in circulation, where not all of them are the set's own; else nothing."""
        there = self.case.in_circulation
        return there if any(pair.set_number != self.own for pair in there) else ()

    @property
    def changed(self) -> tuple[SetOfCase, ...]:
        """Sets on its papers whose rods make other percents now than when they were made."""
        shown = {self.own, *(pair.set_number for pair in self.series)}
        return tuple(one for one in self.case.sets if one.changed and one.number in shown)

    @property
    def own_changed(self) -> bool:
        """Whether the set's own steps make other percents now."""
        return any(one.number == self.own for one in self.changed)

    @property
    def struck(self) -> tuple[PairNow, ...]:
        """Pairs in circulation that are not to be worn."""
        return tuple(pair for pair in self.case.pairs if pair.not_to_be_worn)

    @property
    def own_pairs(self) -> tuple[PairNow, ...]:
        """The set's own settings, by step."""
        own = [pair for pair in self.case.pairs if pair.set_number == self.own]
        return tuple(sorted(own, key=lambda pair: pair.step))

    def at_step(self, step: int) -> PairNow | None:
        """Give one of the set's own settings."""
        return self.case.at(self.own, step)


def pairs_now(
    rods: Iterable[CaseRod], prescription: Prescription, limits: LengthLimits | None
) -> tuple[PairNow, ...]:
    """Work out what every setting of a case makes on the newest prescription.

    Args:
        rods: Every rod that was made or is being made.
        prescription: The one that holds now.
        limits: Of the rod template that the prescription names, for the steps it asks for; None
            where nobody asks which of them a pair serves.

    Source: DEVELOPERS.md, "The design" (reading back, holding).
    """
    settings: dict[str, list[CaseRod]] = {}
    for rod in rods:
        settings.setdefault(rod.rod.rod.pair, []).append(rod)
    there = {
        pair: {side: rod for side in Side for rod in own
               if rod.in_circulation and rod.rod.rod.side is side}
        for pair, own in settings.items()
    }
    every = tuple(rod.rod for own in there.values() for rod in own.values())
    makes = pairs_standing(every, prescription)
    serves = _served(every, prescription, limits)
    pairs = [
        PairNow(
            own[0].set_number, own[0].step, makes.get(name), there[name],
            gone={side: rod for rod in own if (side := rod.rod.rod.side) not in there[name]},
            serves=tuple(cover.percent for cover in serves.get(name, ())),
            start=any(cover.start for cover in serves.get(name, ())),
        )
        for name, own in settings.items()
    ]
    return tuple(sorted(pairs, key=_place))


def start_asked(prescription: Prescription, limits: LengthLimits) -> float | None:
    """Give the percent of the prescribed start; None where none is named."""
    if check_recorded(prescription):
        return None
    steps = grade(prescription, limits).steps
    return next((step.percent for step in steps if step.start), None)


def _served(
    rods: tuple[TolerancedRod, ...], prescription: Prescription, limits: LengthLimits | None
) -> dict[str, list[StepCover]]:
    """Find the prescribed steps that each pair serves, within the length tolerance."""
    served: dict[str, list[StepCover]] = {}
    if limits is None or check_recorded(prescription):
        return served
    for step in grade(prescription, limits).steps:
        cover = cover_step(step, rods)
        if cover.pair:
            served.setdefault(cover.pair, []).append(cover)
    return served


def _place(pair: PairNow) -> tuple[int, float, int, int]:
    made = pair.makes
    known = made is not None and made.advancement_mm is not None
    rank = 0 if known else 1 if made is not None else 2
    advancement = made.advancement_mm if made is not None and made.advancement_mm else 0.0
    return rank, advancement, pair.set_number, pair.step
