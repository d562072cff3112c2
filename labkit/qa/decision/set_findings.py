"""What is found in a set of measured rods, in sentences, and which rods it holds."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from labkit.core.case.identifier import grouped
from labkit.core.findings import Finding, note, refusals, refused
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.mix_up import FITS_U, LEAST_STEP_U, NOISE_MM, find_mix_ups
from labkit.qa.decision.readings import Expected, RodReadings, same_label
from labkit.qa.decision.rod_decision import MeasuredRod, look_problems
from labkit.qa.decision.sides_and_steps import SideDifference, StepSize
from labkit.qa.percent import percent_told
from labkit.units import millimetres, plain

#: A step that measures less than half or more than one and a half of its labels' is noted.
_STEP_SHARE = 0.5


class SetFindings:
    """Gathers what is found in a set and which rods it holds."""

    def __init__(self, rods: Sequence[MeasuredRod]) -> None:
        self.rods = rods
        self.held = {rod.identifier for rod in rods if not rod.conforms}
        self._findings = [finding for rod in rods for finding in rod.problems]
        self._mixed: dict[frozenset[str], Finding] = {}
        self.strange: set[str] = set()

    def seen(self, apart: Iterable[tuple[Expected, RodReadings]]) -> None:
        """Hold rods without a length on which something was seen that is wrong."""
        for place, readings in apart:
            for finding in look_problems(place, readings):
                self.held.add(place.identifier)
                self._findings.append(finding)

    def repeated(self, measured: Sequence[MeasuredRod]) -> None:
        """Hold rods that were measured more than once without the record saying which counts."""
        for identifier, times in Counter(rod.identifier for rod in measured).items():
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
            identifiers = frozenset(rod.identifier for rod in mixed.rods)
            self.held |= identifiers
            self.strange |= identifiers
            self._mixed[identifiers] = mixed.finding
            self._findings.append(mixed.finding)

    def labels(self) -> None:
        """Where a label read is another rod's, hold that one, too, and say what it means.

        Not held is a rod on which its own label was read: it lies where it belongs.
        """
        told: set[frozenset[str]] = set()
        for rod in self.rods:
            if any(finding.code == "label_read" for finding in rod.problems):
                self.strange.add(rod.identifier)
            owners = [other for other in self.rods if _bears_label_of(rod, other)]
            if not owners:
                continue
            self._findings = [f for f in self._findings if f not in _label_problems(rod)]
            away = [owner for owner in owners if not _bears_own_label(owner)]
            back = [owner for owner in away if _bears_label_of(owner, rod)]
            others = back if len(back) == 1 else away
            members = (rod.identifier, *(o.identifier for o in others))
            if len(back) == 1:
                if frozenset(members) in told:
                    continue
                told.add(frozenset(members))
                self._take_back(self._mixed.get(frozenset(members)))
                sentence = _exchanged_told(rod, back[0])
            else:
                sentence = _label_told(rod, owners, others)
            self._hold("label_of_another", sentence, *members)

    def differences(self, differences: Iterable[SideDifference]) -> None:
        """Hold both rods of a step whose sides are not shown to agree.

        Where a rod is held for its own length that says enough: what comes in its place decides
        about the difference.
        """
        for each in differences:
            own = {each.left.identifier, each.right.identifier}
            if each.decision.result is not Result.CONFORMS and not own & self.held:
                self._hold(*_difference_told(each))

    def order(self, steps: Iterable[StepSize]) -> None:
        """Hold neighbours that measure in the wrong order.

        A rod that lies in a wrong bag says nothing about the order of its neighbours.
        """
        for each in self._placed(steps):
            members = (each.first.identifier, each.second.identifier)
            if each.measured_mm * float(each.nominal_mm) <= 0:
                names = [rod.expected.name for rod in (each.first, each.second)]
                self._hold(
                    "order",
                    f"{names[0]} and {names[1]} measure {millimetres(each.first.length_mm, 3)} and "
                    f"{millimetres(each.second.length_mm, 3)} mm: not in the order of their "
                    "labels; hold both and measure both again",
                    *members,
                )

    def _placed(self, steps: Iterable[StepSize]) -> list[StepSize]:
        """Give the neighbours of which neither is likely to lie in a wrong bag."""
        return [
            each for each in steps
            if not self.strange & {rod.identifier for rod in (each.first, each.second)}
        ]

    def notes(self, steps: Iterable[StepSize], missing: Sequence[Expected]) -> None:
        """Add what does not hold a rod."""
        self._findings += _step_notes(self._placed(steps))
        if missing:
            names = ", ".join(place.name for place in missing)
            self._findings.append(note("not_measured", f"not measured yet: {names}"))
        blind = [rod.expected.name for rod in self.rods if not rod.readings.looked_at]
        if blind:
            self._findings.append(note(
                "not_looked_at",
                "label, fittings or look not recorded, which lengths cannot show: "
                + ", ".join(blind),
            ))

    def _hold(self, code: str, sentence: str, *identifiers: str) -> None:
        self.held |= set(identifiers)
        self._findings.append(refused(code, sentence, " / ".join(map(grouped, identifiers))))

    def _take_back(self, finding: Finding | None) -> None:
        """Leave out what another finding says better; the rods stay held."""
        self._findings = [each for each in self._findings if each is not finding]

    def refusals(self) -> tuple[Finding, ...]:
        """Give what holds rods."""
        return refusals(dict.fromkeys(self._findings))

    def all(self) -> tuple[Finding, ...]:
        """Give everything, refusals first."""
        stops = self.refusals()
        return (*stops, *(each for each in dict.fromkeys(self._findings) if each not in stops))


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
                f"uncertainties of {millimetres(u, 3)} mm: this gauge cannot show whether they are "
                "mixed up",
                names,
            )


def _bears_own_label(rod: MeasuredRod) -> bool:
    """Tell whether a rod's own label was read on it; not so where nobody read it."""
    read = rod.readings.label_read
    return read is not None and same_label(read, rod.expected)


def _bears_label_of(rod: MeasuredRod, other: MeasuredRod) -> bool:
    """Tell whether the label read from a rod is another rod's and not its own."""
    read = rod.readings.label_read
    return read is not None and not _bears_own_label(rod) and same_label(read, other.expected)


def _label_problems(rod: MeasuredRod) -> list[Finding]:
    """Give what was found about the label of one rod by itself."""
    return [finding for finding in rod.problems if finding.code == "label_read"]


def _exchanged_told(first: MeasuredRod, second: MeasuredRod) -> str:
    """Say of two rods that bear each other's labels what their lengths add to that.

    Returns:
        A sentence without its end.
    """
    names = [rod.expected.name for rod in (first, second)]
    if _fits(first, second) and _fits(second, first):
        what = (
            "their lengths fit these labels, too: they are likely in each other's bags; put each "
            "into its own and measure both again"
        )
    elif _fits(first, first) and _fits(second, second):
        what = (
            "their lengths fit their own labels: the labels were likely written down in each "
            "other's lines, or engraved wrong; hold both and look again"
        )
    else:
        what = "their lengths do not show why; hold both, read both labels and measure both again"
    return f"{names[0]} bears the label of {names[1]}, and that one bears the first one's; {what}"


def _label_told(
    rod: MeasuredRod, owners: Sequence[MeasuredRod], others: Sequence[MeasuredRod]
) -> str:
    """Say of a rod that bears another rod's label what that may mean.

    Args:
        others: Those of them on which their own label was not read.

    Returns:
        A sentence without its end.
    """
    names = " and ".join(owner.expected.name for owner in owners)
    if not _fits(rod, owners[0]):
        why = "its length does not fit that label: it is likely engraved or read wrong"
    elif others:
        why = "its length fits that label, too: it is likely another rod in this one's bag"
    else:
        why = (
            "its length fits that label, too, but that rod lies in its own bag: it is likely one "
            "of another set"
        )
    hold = "hold them" if others else "hold it"
    return f"{rod.expected.name} bears the label of {names}; {why}; {hold}"


def _fits(rod: MeasuredRod, other: MeasuredRod) -> bool:
    """Tell whether a rod's length fits a label, and its own no better."""
    off = abs(rod.length_mm - float(other.expected.length_mm))
    most = float(other.expected.tolerance_mm) + FITS_U * rod.u_mm
    return off <= min(most, abs(rod.deviation_mm) + NOISE_MM)


def _difference_told(each: SideDifference) -> tuple[str, str, str, str]:
    """Say that the sides of a step are not shown to agree.

    Returns:
        Code, sentence without its end, and the identifiers of both rods.
    """
    left, right, decision = each.left.expected, each.right.expected, each.decision
    wrong = decision.result is Result.NOT_CONFORMING
    if wrong:
        verdict, then = "beyond", "measure both again"
    elif decision.acceptance is None:
        verdict, then = "and this gauge is too coarse for", "measure both again with a finer gauge"
    else:
        verdict = "which this gauge does not show to be within"
        then = "measure both again with a finer gauge"
    size = millimetres(abs(each.difference_mm), 3)
    long = "longer" if each.difference_mm > 0 else "shorter"
    against = (
        f"{left.engraved} left is {size} mm {long} than {right.engraved} right"
        if left.length_mm == right.length_mm
        else f"{left.engraved} left, taken against {right.engraved} right, is {size} mm {long} "
        "than their labels say"
    )
    return (
        "sides_differ" if wrong else "sides_undecided",
        f"step {each.step}: {against}, {verdict} the side tolerance of "
        f"±{plain(each.tolerance_mm)} mm (standard uncertainty {millimetres(each.u_mm, 4)} mm, "
        f"probability {percent_told(decision.probability)}); {then}, or replace one",
        left.identifier, right.identifier,
    )
