"""Cases whose delivered papers or rods are wrong under the rules of today."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass

from labkit.core.case.case_standing import CaseRod, CaseStanding, PairNow, SetOfCase
from labkit.core.case.identifier import grouped
from labkit.core.report import Column, Report, Section, Table, only
from labkit.core.rod.rods import NOMINAL
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState, StoredSet
from labkit.units import millimetres
from labkit.workflow.record.standing import standing_of_case


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
        cases = [summary.case for summary in reader.cases() if summary.sets]
    for case in cases:
        yield from recall_of_case(reader, case)


def recall_of_case(reader: Reader, case: str) -> Iterator[Recalled]:
    """Find what is wrong with what one case was given."""
    with reader.snapshot():
        try:
            standing = standing_of_case(reader, case, steps=False)
        except LabkitError as error:
            yield Recalled(
                case, "not_known",
                f"what its rods make cannot be worked out: {'; '.join(str(error).splitlines())}",
                "Nothing yet; look at the case with the version of the program that made it.", (),
            )
            return
        sets = [one for one in reader.sets(case) if one.state is SetState.MADE]
    yield from _beyond(standing)
    yield from _not_holding(standing)
    yield from _printed(standing, sets)
    yield from _uncompensated(standing, sets)


def _beyond(standing: CaseStanding) -> Iterator[Recalled]:
    for pair in standing.pairs:
        if pair.not_to_be_worn and pair.makes is not None:
            makes = pair.makes
            beyond = (
                "cannot be read back on what holds now" if makes.percent is None
                else f"is {millimetres(makes.beyond_mm)} mm beyond the maximum that holds now"
            )
            yield Recalled(
                standing.case, "beyond_the_maximum", f"{pair.name} {beyond}",
                "NOT TO BE WORN: take these rods out of use and send them back.", _rods(pair),
            )


def _not_holding(standing: CaseStanding) -> Iterator[Recalled]:
    for pair in standing.pairs:
        if pair.makes is not None and not pair.makes.holds:
            yield Recalled(
                standing.case, "jaw_not_held",
                f"{pair.name} may hold the jaw nowhere with rods within their tolerance",
                "Have these rods not worn until the prescriber has looked at the fit.", _rods(pair),
            )


def _printed(standing: CaseStanding, sets: list[StoredSet]) -> Iterator[Recalled]:
    begun = {one.set_revision: one.started.seq for one in sets}
    for one in standing.sets:
        rods = _of_set(standing, one)
        if not one.changed or not rods:
            continue
        when = "after" if begun.get(one.number, 0) > standing.now.entry else "before"
        yield Recalled(
            standing.case, "papers_of_another_range",
            f"papers of {one.name} were printed {when} the change of entry {standing.now.entry} "
            f"({standing.now.date}): they tell a range of {millimetres(one.range_mm)} mm, and "
            f"{millimetres(standing.now.range_mm)} mm holds now",
            f"Percents on those papers do not hold; use the sheet of today (labkit sheet "
            f"{standing.case}).",
            rods,
        )  # fmt: skip


def _uncompensated(standing: CaseStanding, sets: list[StoredSet]) -> Iterator[Recalled]:
    own = {stored.set_revision: stored for stored in sets}
    for one in standing.sets:
        rods, stored = _of_set(standing, one), own.get(one.number)
        if rods and stored is not None and is_uncompensated(stored):
            yield Recalled(
                standing.case, "made_uncompensated",
                f"{one.name} was made without compensation (process {stored.process.name}): its "
                "rods may be longer or shorter than their labels",
                "Nothing until the rods are measured; then what that says.", rods,
            )


def is_uncompensated(stored: StoredSet) -> bool:
    """Tell whether a set's files were built at nominal size."""
    told = stored.process.content.get("compensation", {})
    return all(told.get(name, usual) == usual for name, usual in asdict(NOMINAL).items())


def _of_set(standing: CaseStanding, one: SetOfCase) -> tuple[str, ...]:
    return tuple(
        identifier for pair in standing.pairs if pair.set_number == one.number
        for identifier in _rods(pair)
    )


def _rods(pair: PairNow) -> tuple[str, ...]:
    rods: tuple[CaseRod, ...] = tuple(pair.rods.values())
    return tuple(rod.identifier for rod in rods)


def _named(rods: tuple[str, ...]) -> str:
    return ", ".join(grouped(one) for one in rods)


_LINES = (
    Column("case", "case"),
    *only("reason"),
    Column("what is wrong", "what"),
    Column("rods", "rods", show=_named),
    Column("tell the clinic", "tell"),
)


def recall_report(reader: Reader) -> Report:
    """Make the report of all cases whose papers or rods are wrong under the rules of today."""
    table = Table.of(_LINES, recall(reader))
    cases = len(set(table.cells("case")))
    said = (
        "No case has papers or rods that are wrong under the rules of today."
        if not table.rows else
        f"{cases} {'case' if cases == 1 else 'cases'}. The prescriber decides what is done."
    )  # fmt: skip
    return Report(
        "Recall", (Section("Recall", (said,), table if table.rows else None),),
        {"schema": 1, "recalled": table.records},
    )
