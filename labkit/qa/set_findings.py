"""What is found in a set of measured rods, in sentences, and which rods it holds."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from labkit.core.findings import Finding, note, refusals, refused
from labkit.core.identifier import grouped
from labkit.qa.conformance import Result
from labkit.qa.mix_up import LEAST_STEP_U, find_mix_ups
from labkit.qa.percent import percent_told
from labkit.qa.readings import Expected, label_parts, same_label
from labkit.qa.rod_decision import MeasuredRod
from labkit.qa.sides_and_steps import SideDifference, StepSize
from labkit.units import millimetres, plain

#: A step that measures less than half or more than one and a half of its labels' is noted.
_STEP_SHARE = 0.5


class SetFindings:
    """Gathers what is found in a set and which rods it holds.

    Args:
        rods: The rods as measured, each once.
    """

    def __init__(self, rods: Sequence[MeasuredRod]) -> None:
        self.rods = rods
        self.held = {rod.expected.identifier for rod in rods if not rod.conforms}
        self._findings = [finding for rod in rods for finding in rod.problems]
        self._mixed: list[frozenset[str]] = [frozenset()]

    def repeated(self, measured: Sequence[MeasuredRod]) -> None:
        """Hold rods that were measured more than once without the record saying which counts."""
        for identifier, times in Counter(rod.expected.identifier for rod in measured).items():
            if times > 1:
                self._hold(
                    "repeated",
                    f"the rod {grouped(identifier)} was measured {times} times; keep one "
                    "measurement of each rod",
                    identifier,
                )

    def mix_ups(self) -> None:
        """Add the likely mix-ups."""
        for mixed in find_mix_ups(self.rods):
            identifiers = {rod.expected.identifier for rod in mixed.rods}
            self.held |= identifiers
            self._mixed.append(frozenset(identifiers))
            self._findings.append(mixed.finding)

    def labels(self) -> None:
        """Where a label read is another rod's, hold that one, too, and say what it means."""
        for rod in self.rods:
            others = [other for other in self.rods if _bears(rod, other)]
            if others:
                told = [f for f in rod.problems if f.code == "label_read"]
                self._findings = [f for f in self._findings if f not in told]
                members = (rod.expected.identifier, *(o.expected.identifier for o in others))
                self._hold("label_of_another", _read_of(rod, others), *members)

    def differences(self, differences: Iterable[SideDifference]) -> None:
        """Hold both rods of a step whose sides are not shown to agree.

        Where a rod is held for its own length that says enough: what comes in its place decides
        about the difference.
        """
        for each in differences:
            own = {each.left.expected.identifier, each.right.expected.identifier}
            if each.decision.result is not Result.CONFORMS and not own & self.held:
                self._hold(*_difference_told(each))

    def order(self, steps: Iterable[StepSize]) -> None:
        """Hold neighbours that measure in the wrong order, unless a mix-up says so already."""
        for each in steps:
            members = frozenset(rod.expected.identifier for rod in (each.first, each.second))
            turned = each.measured_mm * float(each.nominal_mm) <= 0
            if turned and not any(members <= mixed for mixed in self._mixed):
                names = [rod.expected.name for rod in (each.first, each.second)]
                self._hold(
                    "order",
                    f"{names[0]} and {names[1]} measure {millimetres(each.first.length_mm, 3)} and "
                    f"{millimetres(each.second.length_mm, 3)} mm: not in the order of their "
                    "labels; hold both and measure both again",
                    *members,
                )

    def notes(self, steps: Iterable[StepSize], missing: Sequence[Expected]) -> None:
        """Add what does not hold a rod."""
        mixed = frozenset().union(*self._mixed)
        self._findings += _step_notes(
            each for each in steps
            if not mixed & {rod.expected.identifier for rod in (each.first, each.second)}
        )  # fmt: skip
        if missing:
            names = ", ".join(place.name for place in missing)
            self._findings.append(note("not_measured", f"not measured yet: {names}"))
        blind = [rod.expected.name for rod in self.rods if not rod.look.whole]
        if blind:
            self._findings.append(note(
                "not_looked_at",
                "label not read or fittings not checked, which lengths cannot tell: "
                + ", ".join(blind),
            ))  # fmt: skip

    def _hold(self, code: str, sentence: str, *identifiers: str) -> None:
        self.held |= set(identifiers)
        self._findings.append(refused(code, sentence, " / ".join(map(grouped, identifiers))))

    def refusals(self) -> tuple[Finding, ...]:
        """Give what holds rods."""
        return refusals(dict.fromkeys(self._findings))

    def all(self) -> tuple[Finding, ...]:
        """Give everything, refusals first."""
        stops = self.refusals()
        return (*stops, *(each for each in dict.fromkeys(self._findings) if each not in stops))


def _bears(rod: MeasuredRod, other: MeasuredRod) -> bool:
    """Tell whether the label read from a rod is another rod's and not its own."""
    read = rod.look.label
    if read is None or label_parts(read) is None or same_label(read, rod.expected):
        return False
    return same_label(read, other.expected)


def _read_of(rod: MeasuredRod, others: Sequence[MeasuredRod]) -> str:
    fits = abs(rod.length_mm - float(others[0].expected.length_mm)) < abs(rod.deviation_mm)
    why = (
        "its length fits that label, too: it is likely another rod in this one's bag"
        if fits
        else "its length does not fit that label: it is likely engraved or read wrong"
    )
    names = " and ".join(other.expected.name for other in others)
    return f"{rod.expected.name} bears the label of {names}; {why}; hold them"


def _difference_told(each: SideDifference) -> tuple[str, str, str, str]:
    wrong = each.decision.result is Result.NOT_CONFORMING
    verdict = "beyond" if wrong else "so that this gauge does not show that it is within"
    long = "longer" if each.difference_mm > 0 else "shorter"
    return (
        "sides_differ" if wrong else "sides_undecided",
        f"step {each.step}: {each.left.expected.engraved} left is "
        f"{millimetres(abs(each.difference_mm), 3)} mm {long} against "
        f"{each.right.expected.engraved} right than by their labels, {verdict} the side tolerance "
        f"of ±{plain(each.tolerance_mm)} mm (standard uncertainty {millimetres(each.u_mm, 4)} mm, "
        f"probability {percent_told(each.decision.probability)}); measure both again, with more "
        "readings or a finer gauge, or replace one",
        each.left.expected.identifier, each.right.expected.identifier,
    )  # fmt: skip


def _step_notes(steps: Iterable[StepSize]) -> Iterator[Finding]:
    for each in steps:
        share = each.measured_mm / float(each.nominal_mm) if each.nominal_mm else 1.0
        names = f"{each.first.expected.engraved} and {each.second.expected.engraved} {each.side}"
        if share > 0 and abs(share - 1) > _STEP_SHARE:
            yield note(
                "step_size",
                f"{names} lie {millimetres(abs(each.measured_mm), 3)} mm apart instead of "
                f"{plain(abs(each.nominal_mm))} mm: {100 * share:.0f} % of the step prescribed",
                names,
            )
        u = math.sqrt((each.first.u_mm**2 + each.second.u_mm**2) / 2)
        if abs(float(each.nominal_mm)) < LEAST_STEP_U * u:
            yield note(
                "mix_up_not_told",
                f"{names} are {plain(abs(each.nominal_mm))} mm apart, under four standard "
                f"uncertainties of {millimetres(u, 3)} mm: this gauge cannot tell whether they are "
                "mixed up",
                names,
            )
