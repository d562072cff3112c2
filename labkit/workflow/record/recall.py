"""Cases whose delivered papers or rods are wrong under the rules of today."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import partial

from labkit.core.case.case_standing import CaseRod, CaseStanding, PairNow
from labkit.core.case.holding import NotHolding, far_off, not_holding
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import IN_CIRCULATION
from labkit.core.case.standing import PairStanding, pairs_standing, same_percents
from labkit.core.grading.bite import protrusive_range
from labkit.core.grading.prescription import Prescription
from labkit.core.report import Column, Report, Section, Table, only
from labkit.core.rod.rods import NOMINAL
from labkit.errors import LabkitError
from labkit.ledger.bodies import Release, said
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.rods import count_by_case
from labkit.ledger.stored import SetState, StoredRod, StoredSet
from labkit.units import millimetres
from labkit.workflow.record.printed import Printed, printed_papers
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.record.worked_out import Question, answered
from labkit.workflow.sets.stored_case import read_stored


@dataclass(frozen=True)
class Recalled:
    """One thing that is wrong with what a case was given.

    Args:
        reason: Short name, lower case with underscores.
        what: What is wrong, a sentence.
        tell: What to tell the clinic, a sentence.
        rods: Identifiers of the rods in circulation that it is about.
    """

    case: str
    reason: str
    what: str
    tell: str
    rods: tuple[str, ...]


def recall(reader: Reader) -> Iterator[Recalled]:
    """Find what is wrong under the rules of today, of every case with rods in circulation."""
    with reader.snapshot():
        (out,) = reader.ask(partial(count_by_case, (IN_CIRCULATION,)))
        cases = [summary for summary in reader.cases() if out[summary.case]]
    for _, found in answered(reader, cases, _RECALLED):
        yield from (Recalled(**{**one, "rods": tuple(one["rods"])}) for one in found)


def recall_of_case(reader: Reader, case: str) -> tuple[Recalled, ...]:
    """Find what is wrong with what one case was given."""
    try:
        return tuple(_wrong_with(reader, case))
    except LabkitError as error:
        return _not_known(case, error)


def _wrong_with(reader: Reader, case: str) -> Iterator[Recalled]:
    with reader.snapshot():
        standing = standing_of_case(reader, case, steps=False)
        sets = [one for one in reader.sets(case) if one.state is SetState.MADE]
        rods = {rod.identifier: rod for rod in reader.rods(case)}
        printed = tuple(printed_papers(reader, case))
        holds, measured = reader.prescription(case), _released(reader, case)
    yield from _beyond(standing)
    for found in (*not_holding(standing), *_far_off(standing, sets, rods)):
        yield _not_holding(standing, found)
    for papers in printed:
        yield from _papers(standing, papers, read_stored(holds)[1], rods)
    yield from _uncompensated(standing, sets, rods, measured)


def _not_known(case: str, error: LabkitError) -> tuple[Recalled, ...]:
    what = f"what its rods make cannot be worked out: {'; '.join(str(error).splitlines())}"
    tell = "Nothing yet; look at the case with the version of the program that made it."
    return (Recalled(case, "not_known", what, tell, ()),)


#: What is wrong with what a case was given.
_RECALLED = Question(
    "recalled",
    lambda reader, case: list(map(asdict, _wrong_with(reader, case))),
    lambda _, case, error: list(map(asdict, _not_known(case, error))),
    (Kind.PAPERS_PRINTED, Kind.RELEASE, Kind.USE_AS_IS),
)


def _beyond(standing: CaseStanding) -> Iterator[Recalled]:
    for pair in standing.pairs:
        if pair.not_to_be_worn and pair.makes is not None:
            makes = pair.makes
            beyond = (
                "cannot be read back on what holds now" if makes.percent is None
                else f"is {millimetres(makes.beyond_mm)} mm beyond the maximum that holds now"
            )
            tell = (
                "NOT TO BE WORN: take these rods out of use and send them back."
                if pair.out_of_house else
                "NOT TO BE WORN: do not deliver these rods; by the record they are in the lab, ask "
                "for them back where they are not."
            )
            yield Recalled(
                standing.case, "beyond_the_maximum", f"{pair.name} {beyond}", tell, _rods(pair)
            )


def _not_holding(standing: CaseStanding, found: NotHolding) -> Recalled:
    return Recalled(
        standing.case, "jaw_not_held", found.what,
        "Have these rods not worn until the prescriber has looked at the fit.",
        tuple(identifier for pair in found.pairs for identifier in _rods(pair)),
    )


def _far_off(
    standing: CaseStanding, sets: list[StoredSet], rods: Mapping[str, StoredRod]
) -> Iterator[NotHolding]:
    """Find what was made further from what was asked than the length grid explains."""
    for stored in sets:
        own = [pair for pair in standing.in_circulation if pair.set_number == stored.set_revision]
        made_for = read_stored(stored.prescription)[1]
        makes = {_setting(pair): pair.makes for pair in own}
        if any(one.changed for one in standing.sets if one.number == stored.set_revision):
            makes = dict(_made_then(own, made_for))
        asked = [
            (pair, makes[_setting(pair)], float(percent)) for pair in own
            if (percent := rods[_rods(pair)[0]].percent)
        ]
        yield from far_off(asked, made_for)


def _made_then(
    pairs: list[PairNow], prescription: Prescription
) -> Mapping[str, PairStanding | None]:
    """Give what pairs make on another prescription than that of now, by their settings."""
    return pairs_standing(
        [rod.rod for pair in pairs for rod in pair.rods.values()], prescription
    )


def _setting(pair: PairNow) -> str:
    return next(iter(pair.rods.values())).rod.rod.pair


def _papers(
    standing: CaseStanding, papers: Printed, holds: Prescription, rods: Mapping[str, StoredRod]
) -> Iterator[Recalled]:
    """Find what the last papers of a set tell that does not hold; named are rods on them."""
    told = papers.prescription
    on_them = [
        pair for pair in standing.in_circulation
        if any(rods[one].made.seq <= papers.entry for one in _rods(pair))
    ]
    if not on_them or (told is not None and same_percents(told, holds)):
        return
    yield Recalled(
        standing.case, "papers_of_another_range",
        f"{papers.name} that were printed on {papers.on}, true as of entry "
        f"{papers.entry}, report {_told(standing, papers)}{_wrongly_struck(papers, on_them)}",
        f"Those papers do not hold, nor does a case sheet printed before entry "
        f"{standing.now.entry}: destroy them and use new ones (`labkit papers`, `labkit "
        f"sheet {standing.case}`).",
        tuple(one for pair in on_them for one in _rods(pair)
              if rods[one].made.seq <= papers.entry),
    )


def _told(standing: CaseStanding, papers: Printed) -> str:
    now = standing.now
    since = f"since entry {now.entry} ({now.date})"
    if papers.prescription is not None:
        told_mm = protrusive_range(papers.prescription.bite)
        ranges = [millimetres(float(one or 0)) for one in (told_mm, now.range_mm)]
        if ranges[0] != ranges[1]:
            return f"a range of {ranges[0]} mm; {ranges[1]} mm holds now, {since}"
    return (
        f"the readings, jaw and anchors of prescription revision {papers.told.revision}; those of "
        f"revision {standing.revision} hold now, {since}"
    )


def _wrongly_struck(papers: Printed, pairs: list[PairNow]) -> str:
    """Name the pairs that papers strike although they may be worn; empty where there is none."""
    if papers.prescription is None or not papers.marks:
        return ""
    then = _made_then(pairs, papers.prescription)
    named = [
        pair.name for pair in pairs
        if (makes := then[_setting(pair)]) and makes.not_to_be_worn and not pair.not_to_be_worn
    ]
    if not named:
        return ""
    return f"; they mark as not to be worn what is not beyond the maximum now: {', '.join(named)}"


def _uncompensated(
    standing: CaseStanding, sets: list[StoredSet], rods: Mapping[str, StoredRod],
    measured: frozenset[str],
) -> Iterator[Recalled]:
    for stored in sets:
        own = tuple(
            one for pair in standing.pairs for one in _rods(pair)
            if rods[one].set_name == stored.name and one not in measured
        )
        if own and is_uncompensated(stored):
            yield Recalled(
                standing.case, "made_uncompensated",
                f"{stored.name} was made without compensation (process {stored.process.name}): its "
                "rods may be longer or shorter than their labels, and no release covers them",
                "Nothing until the rods are measured; then what the readings show.", own,
            )


def _released(reader: Reader, case: str) -> frozenset[str]:
    """Give the rods that the last decision on their set released: they were measured."""
    last = {body.set: body for event in reader.current(case, Kind.RELEASE)
            for body in [said(event, Release)]}
    return frozenset(
        rod["identifier"] for body in last.values()
        if body.decision == "released" and body.basis for rod in body.basis.get("rods", ())
    )


def is_uncompensated(stored: StoredSet) -> bool:
    """Tell whether a set's files were built at nominal size."""
    told = stored.process.content.get("compensation", {})
    return all(told.get(name, usual) == usual for name, usual in asdict(NOMINAL).items())


def _rods(pair: PairNow) -> tuple[str, ...]:
    rods: tuple[CaseRod, ...] = tuple(pair.rods.values())
    return tuple(rod.identifier for rod in rods)


def _named(rods: tuple[str, ...]) -> str:
    """List rods, two a line: a number that is cut in two is misread."""
    pairs = (rods[at : at + 2] for at in range(0, len(rods), 2))
    return "\n".join(", ".join(map(grouped, pair)) for pair in pairs)


_LINES = (
    Column("case", "case"),
    *only("reason"),
    Column("what is wrong", "what"),
    Column("rods", "rods", show=_named),
    Column("for the clinic", "tell"),
)


def recall_report(reader: Reader) -> Report:
    """Make the report of all cases whose papers or rods are wrong under the rules of today."""
    table = Table.of(_LINES, recall(reader))
    cases = len(set(table.cells("case")))
    said = (
        "No case has papers or rods that are wrong under the rules of today."
        if not table.rows else
        f"{cases} {'case' if cases == 1 else 'cases'}. The prescriber decides what is done."
    )
    return Report(
        "Recall", (Section("Recall", (said,), table if table.rows else None),),
        {"schema": 1, "recalled": table.records},
    )
