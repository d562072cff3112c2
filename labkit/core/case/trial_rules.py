"""What a trial fit may mean, and what it means in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from labkit.core.case.cover import StepCover
from labkit.core.case.trial_seen import Seen, TrialSeen
from labkit.core.case.trial_values import PairNow, TrialProposal
from labkit.core.findings import Finding, note, refused
from labkit.core.grading.bite import (
    BiteScale,
    bite_scale,
    check_bite,
)
from labkit.core.grading.prescription import (
    MOST_MIDLINE_DEVIATION_MM,
    MOST_READING_MM,
    Action,
    Bite,
    Side,
)
from labkit.units import gauge_reading, millimetres, plain

#: A trial fit corrects a bite; a range that changes by a larger part than this means that the
#: bite, the anchors or the trial itself went wrong, and the bite is to be recorded again.
MOST_RANGE_CHANGE = 0.4


def implausible(recorded: Bite, bite: Bite) -> tuple[Finding, ...]:
    """Refuse proposed readings that no trial fit of this record can mean.

    Args:
        recorded: Bite readings as recorded, in order.

    Returns:
        The first refusal alone; empty where the readings can be proposed.
    """
    found = (*_behind(recorded, bite), *_far_away(bite_scale(recorded), bite))
    return (found or check_bite(bite))[:1]


def _behind(recorded: Bite, bite: Bite) -> Iterator[Finding]:
    zero = bite_scale(recorded).zero
    for name, reading in (("registered", bite.registered), ("zero", zero)):
        too_low = bite.protruded < reading or (name == "zero" and bite.protruded == reading)
        if too_low:
            yield refused(
                f"maximum_behind_{name}",
                f"the true maximum would lie at {millimetres(float(bite.protruded))} on the "
                f"gauge, behind the {name} reading ({gauge_reading(reading)}), where the jaw has "
                "been; look again, or record the bite again",
                f"bite.{name}",
            )


def _far_away(recorded: BiteScale, bite: Bite) -> Iterator[Finding]:
    before, after = recorded.range_mm, bite.protruded - recorded.zero
    change = float(after / before - 1)
    if after > 0 and abs(change) > MOST_RANGE_CHANGE:
        yield refused(
            "range_change_implausible",
            f"the range would go from {gauge_reading(before)} to {millimetres(float(after))} mm; a "
            f"trial fit changes it by {100 * MOST_RANGE_CHANGE:.0f} % at most, so look "
            "again, or record the bite again",
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


def answer(proposal: TrialProposal, action: Action) -> str:
    """Say in one sentence how far the jaw went, and what the range is then."""
    after, before = (
        Decimal(millimetres(mm)) for mm in (proposal.advancement_mm, proposal.range_before_mm)
    )
    rods = f"the {action} rods of 100 % are {' / '.join(proposal.labels_at_100)} (left / right)"
    if after == before:
        return f"The jaw went as far as recorded: the range stays {before} mm, and {rods}."
    if proposal.confirmed:
        return (
            f"The jaw went as far as recorded, within what the rods can show ({after} mm read "
            f"back): the range stays {before} mm, and {rods}."
        )
    how = "less far" if after < before else "further"
    return (
        f"The jaw went {abs(after - before)} mm {how} than recorded: the range is {after} mm, not "
        f"{before}, and {rods}."
    )


def seen_means(seen: TrialSeen, action: Action) -> Iterator[str]:
    """Say for each side what was seen, where the seats stand, and what that means.

    Yields:
        A sentence a side.
    """
    for side in Side:
        one = seen.side(side)
        means = ""
        if one.seen is not Seen.MEETS:
            further = (one.seen is Seen.TOO_LONG) is (action is Action.PULL)
            means = (
                f"; with {action} rods {one.seen.words} means that the jaw went "
                f"{'further' if further else 'less far'} than the rod holds it"
            )
        yield (
            f"{str(side).capitalize()} rod {one.words}: the seats are {one.seat_mm} mm "
            f"apart{means}."
        )


def trial_notes(proposal: TrialProposal) -> Iterator[Finding]:
    """Say in sentences what a proposal means for the rods.

    Yields:
        Notes.
    """
    above = [pair for pair in proposal.pairs if pair.not_to_be_worn]
    if above:
        yield note(
            "rods_above_100",
            f"these rods are beyond the maximum now and NOT TO BE WORN: {_named(above)}; ask them "
            "back, their labels stay true",
            ", ".join(pair.pair for pair in above),
        )
    barely = [pair for pair in proposal.pairs if pair.within_rounding]
    if barely:
        yield note(
            "rods_at_100_within_tolerance",
            f"these rods are 100 % within rounding: {_named(barely)}; they count as 100 % rods",
            ", ".join(pair.pair for pair in barely),
        )
    yield from _too_near(proposal)


def _close(step: StepCover) -> Iterator[str]:
    left, right = (
        f"{cover.wanted} from {cover.too_near}" if cover.too_near else ""
        for cover in (step.left, step.right)
    )
    if left and left == right:
        yield f"left and right {left}"
    else:
        yield from (f"{side} {one}" for side, one in zip(Side, (left, right), strict=True) if one)


def _named(pairs: list[PairNow]) -> str:
    return ", ".join(pair.name for pair in pairs)


def _too_near(proposal: TrialProposal) -> Iterator[Finding]:
    close = [one for step in proposal.prescribed for one in _close(step)]
    if close:
        yield note(
            "missing_rod_too_near",
            f"rods missing for prescribed steps could be confused with rods in circulation: "
            f"{', '.join(close)}; use the rods in circulation, or take them back before the new "
            "ones are made",
            "grading",
        )
