"""What is accepted of a rod that is used as it is: recorded as a code, shown as a sentence."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from labkit.core.findings import Finding
from labkit.qa.decision.conformance import Result
from labkit.units import millimetres, plain

if TYPE_CHECKING:
    from labkit.qa.decision.rod_decision import MeasuredRod
    from labkit.qa.decision.sides_and_steps import SideDifference

#: What may be accepted of a rod, by the code of the finding; whatever else holds it makes it
#: another rod than its label says, or says that nobody knows what it is.
MAY = frozenset({
    "fittings", "fittings_scanned", "look", "verdict", "verdict_open", "sides_differ",
    "sides_undecided",
})
_LENGTH, _SIDES, _RESULT = "length", "sides", "result"
_WORDS = MappingProxyType({
    _LENGTH: "its length is {mm} mm (standard uncertainty {u} mm); allowed is {low} to {high} mm: "
    "{result}",
    _SIDES: "step {step}: left minus right differs from the labels by {mm} mm; allowed is "
    "±{allowed} mm: {result}",
})
#: Earlier versions recorded these sentences.
_EARLIER = MappingProxyType({
    _LENGTH: "its length is {mm} mm (standard uncertainty {u} mm), asked was {low} to {high} mm: "
    "{result}",
    _SIDES: "step {step}: left minus right beyond labels is {mm} mm, asked was ±{allowed} mm: "
    "{result}",
})


@dataclass(frozen=True)
class Fault:
    """One thing found of a rod: a code, and what fills the places of its sentence.

    Of a finding, `text` is its own sentence.
    """

    code: str
    values: tuple[tuple[str, str], ...] = ()
    text: str = ""

    @property
    def recorded(self) -> str:
        """It as it is recorded.

        >>> Fault("look", text="the rod is not smooth").recorded
        'look: the rod is not smooth'
        """
        return f"{self.code}: " + (self.text or " ".join(f"{a}={b}" for a, b in self.values))

    @property
    def words(self) -> str:
        """It as a sentence without its end."""
        return self.text or _filled(_WORDS[self.code], dict(self.values))

    def is_among(self, recorded: Collection[str]) -> bool:
        """Whether it was accepted, by what was recorded now or by an earlier version."""
        earlier = self.text or _filled(_EARLIER[self.code], dict(self.values))
        return self.recorded in recorded or earlier in recorded


def of_length(rod: MeasuredRod) -> Fault:
    """Give what was measured of a rod that does not conform by its length."""
    decision = rod.decision
    return Fault(_LENGTH, (
        ("mm", millimetres(decision.y_mm, 3)), ("u", millimetres(decision.u_mm, 4)),
        ("low", millimetres(decision.lower_mm, 3)), ("high", millimetres(decision.upper_mm, 3)),
        (_RESULT, decision.result.name),
    ))


def of_sides(difference: SideDifference) -> Fault:
    """Give by how much the sides of a step differ: the same while no reading of either changes."""
    return Fault(_SIDES, (
        ("step", str(difference.step)), ("mm", millimetres(difference.difference_mm, 3)),
        ("allowed", plain(difference.tolerance_mm)), (_RESULT, difference.decision.result.name),
    ))


def of_finding(finding: Finding) -> Fault:
    """Give what a finding says."""
    return Fault(finding.code, text=finding.message)


def words_of(recorded: str) -> str:
    """Give what was recorded as a sentence without its end, also what an earlier version recorded.

    >>> words_of("sides: step=1 mm=0.200 allowed=0.15 result=NOT_CONFORMING")[:40]
    'step 1: left minus right differs from th'
    >>> words_of("step 1: left minus right beyond labels is 0.2 mm, asked was ±0.15 mm: undecided")
    'step 1: left minus right beyond labels is 0.2 mm; allowed is ±0.15 mm: undecided'
    """
    code, _, rest = recorded.partition(": ")
    if code in MAY:
        return rest
    if code in _WORDS:
        return _filled(_WORDS[code], dict(one.split("=") for one in rest.split(" ")))
    return recorded.replace(" mm, asked was ", " mm; allowed is ").replace(
        " mm), asked was ", " mm); allowed is "
    )


def _filled(words: str, values: dict[str, str]) -> str:
    return words.format_map({**values, _RESULT: Result[values[_RESULT]].value})
