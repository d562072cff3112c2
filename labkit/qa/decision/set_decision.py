"""The decision on a whole set: sides, order, steps, missing and repeated rods, mix-ups."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from labkit.core.findings import Finding
from labkit.errors import InputError
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.readings import Expected, RodReadings
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.qa.decision.set_findings import SetFindings
from labkit.qa.decision.sides_and_steps import (
    SideDifference,
    StepSize,
    side_differences,
    step_sizes,
)


@dataclass(frozen=True)
class SetDecision:
    """What the readings of a set prove.

    Args:
        rods: The rods measured, by step, left before right.
        missing: Places of the set whose rod was not measured.
        held: Identifiers of rods that must not leave.
        strange: Those of them that are likely not the rod that their bag tells.
        result: Conforms only if every rod was measured and conforms, the sides agree, and nothing
            was found that holds a rod.
    """

    rods: tuple[MeasuredRod, ...]
    missing: tuple[Expected, ...]
    differences: tuple[SideDifference, ...]
    steps: tuple[StepSize, ...]
    findings: tuple[Finding, ...]
    held: frozenset[str]
    strange: frozenset[str]
    result: Result

    @cached_property
    def by_identifier(self) -> Mapping[str, MeasuredRod]:
        """The rods measured, by identifier."""
        return {rod.identifier: rod for rod in self.rods}

    @property
    def not_looked_at(self) -> tuple[Expected, ...]:
        """Rods whose label was not read or whose fittings were not checked."""
        return tuple(rod.expected for rod in self.rods if not rod.readings.looked_at)


def decide_set(
    expected: Sequence[Expected],
    measured: Sequence[MeasuredRod],
    side_tolerances: Mapping[int, Decimal],
    seen: Sequence[RodReadings] = (),
) -> SetDecision:
    """Decide on a set from its measured rods.

    Args:
        expected: Every place of the set with the rod that fills it.
        measured: The rods measured, each once; a part of the set is enough for a first look.
        side_tolerances: Step → tolerance (±) of left minus right, mm.
        seen: What was seen on rods that have no length yet.

    Raises:
        InputError: A measured rod is not one of the set.

    Source: the rules are the lab's own; each length is decided by ISO 14253-1:2017, 5.
    """
    places = {place.identifier: place for place in expected}
    for rod in measured:
        if rod.identifier not in places:
            raise InputError(
                f"{rod.expected.name} was measured, but it is not a rod of this set; measure the "
                "rods of the set", field="identifier", value=rod.identifier,
            )
    rods = sorted(measured, key=lambda rod: (rod.expected.step, rod.expected.side))
    each = list({rod.identifier: rod for rod in reversed(rods)}.values())[::-1]
    there = {rod.identifier for rod in each}
    missing = tuple(place for place in expected if place.identifier not in there)
    differences = tuple(side_differences(each, side_tolerances))
    steps = tuple(step_sizes(each))
    found = SetFindings(each)
    found.seen((places[one.identifier], one) for one in seen)
    found.repeated(rods)
    found.mix_ups()
    found.labels()
    found.differences(differences)
    found.order(steps)
    found.notes(steps, missing)
    held = frozenset(found.held)
    return SetDecision(
        tuple(rods), missing, differences, steps, found.all(), held, frozenset(found.strange),
        _result(rods, differences, clean=not (missing or held or found.refusals())),
    )


def _result(
    rods: Iterable[MeasuredRod], differences: Iterable[SideDifference], *, clean: bool
) -> Result:
    decisions = {rod.result for rod in rods} | {each.decision.result for each in differences}
    if Result.NOT_CONFORMING in decisions:
        return Result.NOT_CONFORMING
    return Result.CONFORMS if clean and Result.UNDECIDED not in decisions else Result.UNDECIDED
