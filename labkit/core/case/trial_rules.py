"""What a trial fit may mean, and what it means in sentences."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from labkit.core.case.trial_values import PairNow, TrialProposal
from labkit.core.findings import Finding, note, refused
from labkit.core.grading.bite import (
    BiteScale,
    bite_scale,
    check_bite,
)
from labkit.core.grading.prescription import MOST_MIDLINE_DEVIATION_MM, MOST_READING_MM, Bite, Side
from labkit.units import millimetres, plain

#: A trial fit corrects a bite; a range that changes by a larger part than this means that the
#: bite, the anchors or the trial itself went wrong, and the bite is to be recorded again.
MOST_RANGE_CHANGE = 0.4
#: Left and right may disagree by this much advancement: a whole step of an effective appliance
#: (AADSM consensus, doi 10.15331/jdsm.3738), and several times what rounding to the grid makes.
MOST_SIDE_MISMATCH_MM = 1.0
#: Percent above which a pair is said to stand above 100 %; below is rounding of the readings.
HUNDRED_AND_NOISE = 100.0 + 1e-6


def sides_disagree(seats: tuple[float, float], mismatch_mm: float) -> Iterator[Finding]:
    """Refuse seats whose sides tell different advancements.

    Args:
        seats: Distance of the seats, left and right, mm.
        mismatch_mm: Advancement by the left one minus by the right one.

    Yields:
        At most one refusal.
    """
    if abs(mismatch_mm) <= MOST_SIDE_MISMATCH_MM:
        return
    left, right = (millimetres(distance) for distance in seats)
    ahead = "the left side cannot be read along the recorded path by itself" if np.isnan(
        mismatch_mm
    ) else f"the left side stands {mismatch_mm:+.2f} mm ahead of the right one"
    yield refused(
        "sides_disagree",
        f"with seats {left} mm apart on the left and {right} mm on the right, {ahead}; at most "
        f"{plain(MOST_SIDE_MISMATCH_MM)} mm is a trial fit that can be read, so check whether "
        "the sides were exchanged, and tell each side's rod by itself",
        "trial",
    )


def implausible(recorded: Bite, bite: Bite) -> tuple[Finding, ...]:
    """Refuse proposed readings that no trial fit of this record can mean.

    Args:
        recorded: Bite readings as recorded, in order.

    Returns:
        Refusals; empty where the readings can be proposed.
    """
    found = (*_behind(recorded, bite), *_far_away(bite_scale(recorded), bite))
    return found or check_bite(bite)


def _behind(recorded: Bite, bite: Bite) -> Iterator[Finding]:
    zero = bite_scale(recorded).zero
    for name, reading in (("registered", bite.registered), ("zero", zero)):
        too_low = bite.protruded < reading or (name == "zero" and bite.protruded == reading)
        if too_low:
            yield refused(
                f"maximum_behind_{name}",
                f"the true maximum would lie at {millimetres(float(bite.protruded))} on the "
                f"gauge, behind the {name} reading ({plain(reading)}), where the jaw has been; "
                f"{plain(recorded.protruded)} was recorded as protruded, so check which rods met "
                "and the sign of a gap, or record the bite again",
                f"bite.{name}",
            )


def _far_away(recorded: BiteScale, bite: Bite) -> Iterator[Finding]:
    before, after = recorded.range_mm, bite.protruded - recorded.zero
    change = float(after / before - 1)
    if after > 0 and abs(change) > MOST_RANGE_CHANGE:
        yield refused(
            "range_change_implausible",
            f"the range would go from {plain(before)} to {millimetres(float(after))} mm, a change "
            f"of {100 * change:+.0f} %; a trial fit may change it by at most "
            f"{100 * MOST_RANGE_CHANGE:.0f} %, so record the bite again",
            "bite.protruded",
        )
    for name, value, most in (
        ("protruded", bite.protruded, MOST_READING_MM),
        ("midline_deviation", bite.midline_deviation_mm, MOST_MIDLINE_DEVIATION_MM),
    ):
        if abs(value) > most:
            yield refused(
                "beyond_the_gauge",
                f"{name} would become {millimetres(float(value))} mm, which lies beyond "
                f"±{plain(most)} mm; record the bite again",
                f"bite.{name}",
            )


def trial_notes(proposal: TrialProposal) -> Iterator[Finding]:
    """Say in sentences what a proposal means.

    Yields:
        Notes.
    """
    before, after = proposal.range_before_mm, proposal.range_mm
    left, right = proposal.labels_at_100
    if proposal.confirmed:
        yield note(
            "range_confirmed",
            f"the true 100 % rods, {left} left and {right} right, are those of the record within "
            f"their length tolerance; the range read back is {millimetres(after)} mm, recorded is "
            f"{millimetres(before)} mm, so no new revision is needed",
            "trial",
        )
    else:
        where = "in front of" if after > before else "behind"
        yield note(
            "bite_not_at_100",
            f"the true maximum lies {millimetres(abs(after - before))} mm {where} the recorded "
            f"one: the range is {millimetres(after)} mm instead of {millimetres(before)} mm, and "
            f"the true 100 % rods are {left} left and {right} right",
            "bite.protruded",
        )
    yield from _rods_above(proposal)
    yield from _too_near(proposal)


def _rods_above(proposal: TrialProposal) -> Iterator[Finding]:
    above = [pair for pair in proposal.pairs if pair.above_100]
    if above:
        yield note(
            "rods_above_100",
            f"these rods are now above 100 % and must not be worn: {_named(above)}; take them "
            "back, their labels stay true",
            ", ".join(pair.rods.pair for pair in above),
        )
    barely = [
        pair for pair in proposal.pairs
        if not pair.above_100 and pair.rods.made.percent > HUNDRED_AND_NOISE
    ]
    if barely:
        yield note(
            "rods_at_100_within_tolerance",
            f"these rods stand a little above 100 %, within their length tolerance: "
            f"{_named(barely)}; they count as 100 % rods",
            ", ".join(pair.rods.pair for pair in barely),
        )


def _named(pairs: list[PairNow]) -> str:
    return ", ".join(f"{pair.rods.name} ({pair.rods.made.percent:.1f} %)" for pair in pairs)


def _too_near(proposal: TrialProposal) -> Iterator[Finding]:
    close = [
        f"{side} {cover.wanted} from {cover.too_near}"
        for step in proposal.prescribed
        for side, cover in ((Side.LEFT, step.left), (Side.RIGHT, step.right)) if cover.too_near
    ]
    if close:
        yield note(
            "missing_rod_too_near",
            f"rods missing for prescribed steps could not be told from rods that are out: "
            f"{', '.join(close)}; use the rods that are out, or take them back before the new "
            "ones are made",
            "grading",
        )
