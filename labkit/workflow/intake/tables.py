"""The tables that a clinic's sheet looks its answers up in: every answer is worked out here."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any

from labkit.core.case.case_standing import PairNow
from labkit.core.case.extra_requests import ByPercent
from labkit.core.case.extra_rods import ExtraRods, extra_rods
from labkit.core.case.rod_life import may_follow
from labkit.core.case.rods_out import length_of
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_rules import answer, seen_means
from labkit.core.case.trial_seen import Seen, SideSeen, TrialSeen
from labkit.core.case.trial_sides import disagreement
from labkit.core.case.trial_values import TrialProposal
from labkit.core.clinic import Became
from labkit.core.grading.grade import check_recorded
from labkit.core.grading.prescription import JawModelName, Side
from labkit.core.report import Column
from labkit.units import millimetres, plain
from labkit.workflow.rods.trial_report import PAIRS
from labkit.workflow.rods.trial_rods import at_100, labels_to_try, tried_first
from labkit.workflow.sets.stored_case import StoredCase

Step = Callable[[str], None]
#: Gaps and seats are told to this step in the tables, as at the chair.
_TENTH = Decimal("0.1")
#: How far the seats may be from those of 100 % and of the rods tried, mm; the hinged jaw takes
#: long to work out.
_REACH = {JawModelName.HINGED: Decimal(2)}
_FAR = Decimal(3)
#: Orders stand in the table by the half percent.
_PERCENTS = tuple(Decimal(half) / 2 for half in range(201))
#: What each report of a rod means for what is left.
BECAME_MEANS = {
    Became.RETURNED: "The laboratory keeps it; it is no longer in circulation. The rod of the "
                     "other side is not worn alone.",
    Became.LOST: "It is no longer in circulation; the laboratory can make it once more. If it "
                 "may have been swallowed or inhaled, see a doctor at once.",
    Became.BROKEN: "It must not be worn. Keep the pieces for the laboratory, which can make it "
                   "once more; if one is missing, it may have been swallowed or inhaled: see a "
                   "doctor at once.",
}
_NOT_HERE = (
    "This sheet does not reach that far. Save what you saw: the laboratory works out the answer."
)
_DISAGREE = (
    "Left and right disagree by more than the rods' tolerance and the reading explain, so that "
    "nothing follows yet. Look again, with the pads touching. If they still disagree, save what "
    "you saw: the laboratory will ask which distance was recorded wrongly."
)


def trial_table(stored: StoredCase, step: Step) -> dict[str, Any] | None:
    """Work out the answer to every trial fit that can be told on a sheet.

    Args:
        step: Told of each row that is worked out.

    Returns:
        For each rod and gap the distance of the seats as a key; for each pair of keys the number
        of an answer; the answers. None where the range that holds gives no rods of 100 %.
    """
    labels = {side: labels_to_try(stored, side) for side in Side}
    furthest = at_100(stored) if all(labels.values()) else None
    if furthest is None:
        return None
    first, last = tried_first(stored), {side: furthest.rod(side).length for side in Side}
    reach = _REACH.get(stored.prescription.jaw.model, _FAR)
    keys = _seat_keys((last[Side.LEFT], length_of(first[Side.LEFT])), reach)
    apart = last[Side.RIGHT] - last[Side.LEFT]
    answers, found = list[dict[str, Any]](), dict[str, dict[str, int]]()
    for left in keys:
        row = found.setdefault(plain(left), {})
        for right, proposal in _row(stored, labels, (left, left + apart), len(keys)):
            row[plain(right)] = len(answers)
            answers.append(proposal)
        step(plain(left))
    return {
        "rods": {str(side): labels[side] for side in Side},
        "first": {str(side): first[side] for side in Side},
        "right": [plain(key + apart) for key in keys],
        "gaps": _steps(reach),
        "seats": {label: _gaps(label, reach) for side in Side for label in labels[side]},
        "means": _means(stored),
        "answers": found,
        "told": answers,
        "disagree": _DISAGREE,
        "beyond": _NOT_HERE,
    }


def _seat_keys(middles: tuple[Decimal, Decimal], reach: Decimal) -> list[Decimal]:
    """List distances of the seats, around those of 100 % and around the rods that are tried."""
    low, high = min(middles) - reach, max(middles) + reach
    return [low + _TENTH * n for n in range(int((high - low) / _TENTH) + 1)]


def _steps(reach: Decimal) -> list[str]:
    """List the gaps that stand in the table, from the smallest one on."""
    return [plain(_TENTH * n) for n in range(1, int((reach + 5) / _TENTH) + 1)]


def _gaps(label: str, reach: Decimal) -> dict[str, Any]:
    """Give the key of the seats' distance for each gap that a rod can be seen with."""
    told: dict[str, Any] = {"meets": plain(SideSeen(label).seat_mm)}
    for seen in (Seen.TOO_SHORT, Seen.TOO_LONG):
        told[seen] = {by: plain(SideSeen(label, seen, Decimal(by)).seat_mm)
                      for by in _steps(reach)}
    return told


def _row(
    stored: StoredCase, labels: dict[Side, list[str]], seats: tuple[Decimal, Decimal], most: int
) -> Iterator[tuple[Decimal, dict[str, Any]]]:
    """Give the answers for one distance of the left seats, outwards from the right one it fits.

    Args:
        most: Steps to either side at most; where the sides disagree there is no answer any more.
    """
    left, right = seats
    for way in (1, -1):
        for n in range(0 if way > 0 else 1, most):
            there = right + way * n * _TENTH
            seen = TrialSeen(_side(labels[Side.LEFT], left), _side(labels[Side.RIGHT], there))
            apart = disagreement(stored.prescription, seen, stored.limits)
            if apart is not None and apart.open:
                break
            outcome = trial_fit(stored.prescription, stored.out, seen, stored.limits)
            if outcome.proposal is None:
                yield there, {"refused": "; ".join(one.message for one in outcome.refused)}
            else:
                yield there, _told(stored, outcome.proposal)


def _side(labels: Sequence[str], seat: Decimal) -> SideSeen:
    """Tell a distance of the seats of the shortest rod of a side."""
    label = labels[-1]
    past = length_of(label) - seat
    if not past:
        return SideSeen(label)
    return SideSeen(label, Seen.TOO_LONG if past > 0 else Seen.TOO_SHORT, abs(past))


#: What the sheet shows of each pair after a trial fit: the same cells as `labkit trial`.
_SHOWN = [column for column in PAIRS if column.heading in ("is\n", "")]


def _told(stored: StoredCase, proposal: TrialProposal) -> dict[str, Any]:
    return {
        "answer": answer(proposal, stored.prescription.action),
        "pairs": {pair.pair: [*(_cell(column, pair) for column in _SHOWN), pair.not_to_be_worn]
                  for pair in proposal.pairs},
    }


def _cell(column: Column, item: Any) -> str:
    return column.text(column.cell(item))


def _means(stored: StoredCase) -> dict[str, str]:
    """Say what too long and too short mean here, in the words of `labkit trial`."""
    told = {}
    for seen in (Seen.TOO_LONG, Seen.TOO_SHORT):
        one = SideSeen("1.0", seen, _TENTH)
        sentence = next(iter(seen_means(TrialSeen(one, one), stored.prescription.action)))
        means = sentence.partition("; ")[2]
        told[str(seen)] = means[0].upper() + means[1:]
    return told


def order_table(stored: StoredCase, pairs: Iterable[PairNow]) -> dict[str, Any] | None:
    """Work out what an order would make at every half percent, and what lies in each gap.

    Returns:
        Rows by percent, and for each two neighbouring pairs the percent in the middle of those
        that can be made between them. None where the readings that hold cannot be used.
    """
    if check_recorded(stored.prescription):
        return None
    rows, made = {}, []
    for percent in _PERCENTS:
        found = extra_rods(stored.prescription, stored.out, (ByPercent(percent),), stored.limits)
        rows[plain(percent)] = _order_row(found)
        if not found.refused:
            made.append((percent, found.spacer_set.steps[0].made.percent or 0.0))
    return {"steps": rows, "gaps": list(_gaps_between(pairs, made))}


def _order_row(found: ExtraRods) -> dict[str, Any]:
    if found.refused:
        return {"refused": "; ".join(one.message for one in found.refused)}
    step = found.spacer_set.steps[0]
    return {
        "left": step.left.label, "right": step.right.label,
        "percent": millimetres(step.made.percent or 0.0, 1),
        "mm": millimetres(step.made.advancement_mm or 0.0),
    }


def _gaps_between(
    pairs: Iterable[PairNow], made: Sequence[tuple[Decimal, float]]
) -> Iterator[dict[str, Any]]:
    known = [(pair.name, percent) for pair in pairs
             if pair.makes is not None and (percent := pair.makes.percent) is not None]
    for (low_name, low), (high_name, high) in pairwise(known):
        between = [percent for percent, makes in made if low < makes < high]
        middle = min(
            between, key=lambda one: abs(float(one) - (low + high) / 2), default=None
        )
        yield {"low": low_name, "high": high_name,
               "percent": None if middle is None else plain(middle)}


def became_next(state: str) -> list[str]:
    """Say what a clinic can report of a rod in a state."""
    return [str(one) for one in Became if may_follow(state, str(one))]
