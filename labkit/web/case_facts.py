"""A case as its page tells it: today's truth first, then the rods, the sets and the story."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from labkit.core.case.case_standing import CaseRod, CaseStanding, PairNow
from labkit.core.case.rod_life import WHO_HAS_IT, RodState, who_since
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import percent_name
from labkit.core.report import Report
from labkit.documents.figures import sentence
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState, StoredSet
from labkit.units import millimetres
from labkit.web.drawings import drawn_rods
from labkit.web.scale import Gap, Scale, scale_of
from labkit.workflow.record.lookup import CaseStory, case_story
from labkit.workflow.record.recall import Recalled, recall_of_case
from labkit.workflow.record.sheet import IN_THE_MOUTH, findings_of
from labkit.workflow.record.story import moment, told
from labkit.workflow.record.today import is_broken_off
from labkit.workflow.rods.orders import orders_report


@dataclass(frozen=True)
class RodRow:
    """One rod of a pair.

    Args:
        drawing: It to scale; "" where it is not drawn.
    """

    side: str
    rod: CaseRod
    drawing: str

    @property
    def who(self) -> str:
        """Who has it, and since when."""
        return who_since(self.rod.state, self.rod.since)


@dataclass(frozen=True)
class PairRow:
    """One setting.

    Args:
        empty: Sides whose place is empty, with the rod that was there.
        above: The gap to the pair before; None where there is none.
    """

    pair: PairNow
    rods: tuple[RodRow, ...]
    empty: tuple[tuple[str, CaseRod], ...]
    above: Gap | None

    @property
    def percent(self) -> str:
        """What it makes, percent; that there is nothing to make anything."""
        if not self.rods:
            return "no rods"
        percent = self.pair.makes.percent if self.pair.makes else None
        return "not known" if percent is None else f"{millimetres(percent, 1)} %"

    @property
    def forward(self) -> str:
        """What it makes, mm with what tolerances do."""
        makes = self.pair.makes
        if makes is None or makes.advancement_mm is None:
            return ""
        return f"{millimetres(makes.advancement_mm)} ± {millimetres(makes.tolerance_mm)} mm forward"

    @property
    def serves(self) -> str:
        """Which prescribed steps it serves."""
        if not self.rods:
            return "nothing is in circulation"
        served = ", ".join(percent_name(percent) for percent in self.pair.serves)
        start = "; the prescribed start" if self.pair.start else ""
        return f"serves {served}{start}" if served else "serves no prescribed step"


@dataclass(frozen=True)
class CaseFacts:
    """All that the page shows.

    Args:
        whereabouts: Who has it → rods; in the mouth first.
        mouth: What is wrong with what is recorded in the mouth; "" where nothing is.
        broken_off: Name of a set that was begun by a run that is no more; "" where there is none.
        recalled: What of its papers and rods is wrong under the rules of today, besides rods beyond
            the maximum.
        events: Number, when, by whom, what, and the entry that corrected it.
    """

    story: CaseStory
    scale: Scale | None
    pairs: tuple[PairRow, ...]
    whereabouts: Mapping[str, tuple[CaseRod, ...]]
    mouth: str
    findings: tuple[str, ...]
    sets: tuple[StoredSet, ...]
    broken_off: str
    recalled: tuple[Recalled, ...]
    orders: Report
    events: tuple[tuple[int, str, str, str, int | None], ...]

    @property
    def standing(self) -> CaseStanding | None:
        """What holds now."""
        return self.story.standing

    @property
    def fitted(self) -> bool:
        """Whether a rod is in the mouth."""
        return WHO_HAS_IT[RodState.FITTED] in self.whereabouts

    def to_deliver(self, name: str) -> tuple[str, ...]:
        """Give the rods of a set that lie in the lab and can be delivered."""
        return tuple(
            one.rod.identifier for one in self.story.rods
            if one.rod.set_name == name and one.rod.state in _IN_THE_LAB
        )


#: States of rods that lie in the lab and can be handed out together.
_IN_THE_LAB = (RodState.MADE, RodState.RELEASED)
#: In this order a page says who has which rod.
_ORDER = tuple(WHO_HAS_IT[state] for state in (
    RodState.FITTED, RodState.DELIVERED, RodState.RELEASED, RodState.MADE, RodState.WITHHELD,
    RodState.RESERVED,
))


#: Said where its page says it better; of other cases, and nothing for a clinic.
_SAID_ELSEWHERE = ("not_to_be_worn", "asked_back", IN_THE_MOUTH)
_OF_OTHERS = ("case_mark_shared",)


def facts_of(reader: Reader, case: str, *, limited: bool = False) -> CaseFacts:
    """Gather what the page of a case shows.

    Args:
        limited: Whether nothing of other cases may be said.

    Raises:
        InputError: The ledger does not know the case.
    """
    with reader.snapshot():
        story, orders = case_story(reader, case), orders_report(reader, case)
        recalled = recalled_in(reader, case) if story.sets else ()
    standing = story.standing
    scale = scale_of(standing) if standing else None
    drawings = drawn_rods(story.sets)
    found = findings_of(standing) if standing else ()
    return CaseFacts(
        story, scale, tuple(_rows(standing, scale, drawings)) if standing else (),
        _whereabouts(standing) if standing else {},
        next((sentence(each.message) for each in found if each.code == IN_THE_MOUTH), ""),
        tuple(each.message for each in (*found, *story.mark_notes)
              if each.code not in _SAID_ELSEWHERE + (_OF_OTHERS if limited else ())),
        tuple(each for each in story.sets if each.state is not SetState.ABANDONED),
        next((each.name for each in story.sets if is_broken_off(each)), ""), recalled,
        orders, tuple(reversed(tuple(_events(story)))),
    )


def recalled_in(reader: Reader, case: str) -> tuple[Recalled, ...]:
    """Say what is wrong with what a case was given, besides what its pairs say themselves."""
    said_by_pairs = ("beyond_the_maximum", "not_known")
    return tuple(each for each in recall_of_case(reader, case) if each.reason not in said_by_pairs)


def _rows(
    standing: CaseStanding, scale: Scale | None, drawings: Mapping[str, str]
) -> Iterator[PairRow]:
    gaps, before = {gap.low: gap for gap in scale.gaps} if scale else {}, None
    for pair in standing.pairs:
        percent = pair.makes.percent if pair.makes else None
        yield PairRow(
            pair,
            tuple(
                RodRow(str(side), rod, drawings.get(rod.identifier, ""))
                for side in Side if (rod := pair.rods.get(side)) is not None
            ),
            tuple((str(side), rod) for side in Side if (rod := pair.gone.get(side)) is not None),
            gaps.get(before) if percent is not None and before is not None else None,
        )
        before = percent


def _whereabouts(standing: CaseStanding) -> Mapping[str, tuple[CaseRod, ...]]:
    found: dict[str, list[CaseRod]] = {who: [] for who in _ORDER}
    for pair in standing.in_circulation:
        for rod in pair.rods.values():
            found.setdefault(WHO_HAS_IT[rod.state], []).append(rod)
    return {who: tuple(rods) for who, rods in found.items() if rods}


def _events(story: CaseStory) -> Iterator[tuple[int, str, str, str, int | None]]:
    for event in story.events:
        words = told(event)
        if event.kind is Kind.SET_MADE:  # its files lie on the page, and not in a folder
            words = f"set {event.body['set']} made"
        yield event.seq, moment(event.at), event.by, words, story.corrected.get(event.seq)
