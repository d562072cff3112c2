"""What becomes of rods: delivered, fitted, returned, lost, broken or withdrawn, and mistakes."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import (
    IN_CIRCULATION,
    OUT_OF_HOUSE,
    WHO_HAS_IT,
    RodState,
    may_follow,
    next_words,
    state_words,
)
from labkit.core.case.standing import PairStanding, pairs_standing
from labkit.core.grading.rules import swap_room_mm
from labkit.core.reasons import check_reason, has_words
from labkit.core.report import Column, Report, Section, Table
from labkit.documents.standing import NOT_TO_BE_WORN
from labkit.errors import InputError, LabkitError
from labkit.ledger import bodies
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredRod
from labkit.units import millimetres
from labkit.workflow.record.lookup import stored_rod
from labkit.workflow.record.story import moment
from labkit.workflow.rods.days import check_not_to_come, last_day, not_then
from labkit.workflow.rods.released import check_released
from labkit.workflow.rods.slips import named_twice, refusal
from labkit.workflow.rods.slots import rods_meant

#: States that a person records, in the order of a rod's life.
RECORDED = (
    RodState.DELIVERED, RodState.FITTED, RodState.RETURNED, RodState.LOST, RodState.BROKEN,
    RodState.WITHDRAWN,
)
#: How the reason begins with which a rod left the lab that should have stayed.
UNRELEASED = ("not released: ", "handed out all the same: ")
#: Word in place of a state: the last one that was recorded was a mistake.
MISTAKEN = "mistaken"


@dataclass(frozen=True)
class Told:
    """What is told of some rods.

    Args:
        state: One of RECORDED, or MISTAKEN.
        note: Free text, empty if none.
        on: The day on which it happened; None for that of the record.
        unreleased: Why rods that were not released, or are not to be worn, are delivered all the
            same; empty if none is.
        instead: Whether rods that are fitted come out for these.
        cause: Of rods that are rejected, from the list of causes.
    """

    state: str
    note: str = ""
    on: datetime.date | None = None
    unreleased: str = ""
    instead: bool = False
    cause: str = ""


def named_rods(reader: Reader, words: tuple[str, ...]) -> tuple[StoredRod, ...]:
    """Find rods by identifiers, or all rods that fill the places of a set by its name or folder.

    Raises:
        InputError: A word is neither, no rod bears it, or a rod is named twice.
    """
    found: list[StoredRod] = []
    for word in words:
        stored = reader.set_named(Path(word).name)
        if stored is not None:
            found += rods_meant(reader, stored)
        elif any(map(str.isalpha, Path(word).name)):
            raise InputError(
                f"{Path(word).name!r} is neither a set in the ledger {reader.place} nor a rod "
                "identifier, which has fourteen digits, such as 4829 482 917 3065",
                field="identifier", value=word,
            )
        else:
            found.append(stored_rod(reader, word))
    for number, rod in enumerate(found):
        if rod.identifier in (earlier.identifier for earlier in found[:number]):
            raise named_twice(rod)
    if not found:
        raise InputError(
            f"no rod of {', '.join(words)} is left; `labkit sheet` shows those that are",
            field="identifier",
        )
    return tuple(found)


def tell(
    ledger: Ledger, words: tuple[str, ...], told: Told, by: str, at: datetime.datetime
) -> Report:
    """Record what became of rods: of all that are named, or of none.

    Args:
        words: Identifiers, or names of sets.
        at: When it is recorded, in the time zone whose days count.

    Returns:
        The rods with the state before and now.

    Raises:
        InputError: A rod is not known, or a reason has no words.
        RefusedError: The state may not follow, the day lies in the future or before the rod was
            made or its last state, two rods of one side are fitted, a rod was not released, or one
            that is delivered again could be taken for another.
        LedgerError: The ledger cannot be written.
    """
    if told.unreleased:
        check_reason(
            told.unreleased, "with --unreleased why the rods leave the lab all the same; nothing "
            "was recorded", "unreleased",
        )
    with ledger.transaction():
        rods = named_rods(ledger, words)
        if told.state == RodState.FITTED:
            _check_one_pair(rods)
            for other, rod in _to_come_out(ledger, rods, told):
                why = f"taken out for {grouped(rod.identifier)}"
                _record(ledger, other, Told(RodState.DELIVERED, why, told.on), by, at)
        events = [
            _take_back(ledger, rod, told, by, at) if told.state == MISTAKEN
            else _record(ledger, rod, told, by, at)
            for rod in rods
        ]
        now = {rod.identifier: rod for each in {rod.case for rod in rods}
               for rod in ledger.rods(each)}
        after = tuple(now[rod.identifier] for rod in rods)
        return _report(rods, after, events, [_words(ledger, rod) for rod in after])


def look_at_told(
    reader: Reader, words: tuple[str, ...], told: Told, at: datetime.datetime
) -> tuple[StoredRod, ...]:
    """Check what would be told of rods, each by itself, and record nothing.

    Args:
        told: Something else than a mistake.

    Returns:
        The rods that are named.

    Raises:
        InputError, RefusedError: As `tell`.
    """
    rods = named_rods(reader, words)
    if told.state == RodState.FITTED:
        _check_one_pair(rods)
        list(_to_come_out(reader, rods, told))
    for rod in rods:
        _check(reader, rod, told, at)
    return rods


def _check(reader: Reader, rod: StoredRod, told: Told, at: datetime.datetime) -> None:
    _check_day(reader, rod, told, at)
    _check_transition(rod, told)
    if told.state == RodState.DELIVERED and rod.state != RodState.FITTED:
        _check_swap(reader, rod)
        if not told.unreleased:
            check_released(reader, rod)
            _check_maximum(reader, rod)


def _record(
    ledger: Ledger, rod: StoredRod, told: Told, by: str, at: datetime.datetime
) -> Event:
    _check(ledger, rod, told, at)
    why = UNRELEASED[0] if rod.state == RodState.MADE else UNRELEASED[1]
    left = told.unreleased if told.state == RodState.DELIVERED else ""
    unreleased = f"{why}{left}" if left else ""
    reason = "; ".join(words for words in (told.note, unreleased) if words)
    on = told.on.isoformat() if told.on else None
    state = bodies.RodState(rod.identifier, told.state, reason or None, on, told.cause or None)
    return ledger.write(rod.case, state, by, at)


def _check_one_pair(rods: tuple[StoredRod, ...]) -> None:
    """Refuse two rods of one side in one mouth."""
    sides: dict[tuple[str, str], StoredRod] = {}
    for rod in rods:
        other = sides.setdefault((rod.case, rod.side), rod)
        if other is not rod:
            raise refusal(
                rod,
                f"the {rod.side} rods {other.label}, {grouped(other.identifier)}, and {rod.label}, "
                f"{grouped(rod.identifier)}, cannot be in the mouth at once; name the rods of the "
                "pair that is fitted; nothing was recorded",
            )


def _to_come_out(
    reader: Reader, rods: tuple[StoredRod, ...], told: Told
) -> Iterator[tuple[StoredRod, StoredRod]]:
    """Give what is fitted on the sides of rods, and the rod for which it comes out.

    Raises:
        RefusedError: Nobody says that it comes out.
    """
    for rod in rods:
        for other in reader.rods(rod.case):
            like = (other.side, other.state) == (rod.side, RodState.FITTED)
            if not like or other.identifier == rod.identifier:
                continue
            if not told.instead:
                raise refusal(
                    rod,
                    f"the {other.side} rod {other.label}, {grouped(other.identifier)}, is fitted "
                    f"since entry {other.state_since.seq}, and two {other.side} rods cannot be in "
                    "the mouth at once; say with --instead that it comes out for "
                    f"{rod.label}, {grouped(rod.identifier)} (the wearer keeps it), or record it "
                    "as returned first; nothing was recorded",
                )
            yield other, rod


def _check_day(reader: Reader, rod: StoredRod, told: Told, at: datetime.datetime) -> None:
    if told.on is None:
        return
    what = f"the rod {grouped(rod.identifier)} cannot have been {told.state} then"
    check_not_to_come(what, told.on, at.date())
    state, day = last_day(reader, rod, at)
    if told.on < day:
        raise not_then(what, f"{told.on} is before it was {state}, on {day}")


def _check_transition(rod: StoredRod, told: Told) -> None:
    shown = f"the {rod.side} rod {rod.label}, {grouped(rod.identifier)} of {rod.set_name},"
    if rod.state == told.state:
        since = rod.state_since
        raise refusal(
            rod,
            f"{shown} is {rod.state} already, entry {since.seq} by {since.by} on "
            f"{moment(since.at)}; nothing was recorded",
        )
    if not may_follow(rod.state, told.state):
        raise refusal(
            rod,
            f"{shown} is {state_words(rod.state)} and cannot be "
            f"{told.state}; what can be recorded of it is {next_words(rod.state)}; a mistake is "
            f"taken back with `labkit rod {rod.identifier} {MISTAKEN}`; nothing was recorded",
        )
    if told.state == RodState.DELIVERED and rod.state == RodState.MADE and not told.unreleased:
        raise refusal(
            rod,
            f"{shown} is not released; inspect and release its set first (`labkit inspect`, "
            "`labkit release`), or say with --unreleased why it leaves the lab all the same; "
            "nothing was recorded",
        )


def _check_swap(reader: Reader, rod: StoredRod) -> None:
    """Refuse to hand out a rod that could be taken for another one of its side."""
    from labkit.workflow.record.standing import case_rods

    rods = {one.identifier: one for one in case_rods(reader, rod.case)}
    own = rods[rod.identifier].rod
    # An older rod that comes back into use meets also what lies in the lab, made since.
    beside = IN_CIRCULATION if rod.state == RodState.RETURNED else OUT_OF_HOUSE
    for other in rods.values():
        near = other.rod.rod
        if other.identifier == rod.identifier or other.state not in beside:
            continue
        if near.side is own.rod.side and swap_room_mm(own, other.rod) <= 0:
            raise refusal(
                rod,
                f"the {rod.side} rod {rod.label}, {grouped(rod.identifier)}, could be taken for "
                f"{near.label}, {grouped(other.identifier)}, which is in circulation "
                f"({WHO_HAS_IT[other.state]}): their tolerances overlap; take that one back "
                f"first (`labkit rod {other.identifier} returned`, or withdrawn); nothing was "
                "recorded",
            )


def _check_maximum(reader: Reader, rod: StoredRod) -> None:
    """Refuse to hand out a rod that is beyond the maximum that holds now."""
    makes = _makes(reader, rod)
    if makes is not None and makes.not_to_be_worn:
        beyond = (
            "it cannot be read back" if makes.percent is None
            else f"it makes {makes.percent:.1f} %, {millimetres(makes.beyond_mm)} mm beyond the "
            "maximum,"
        )
        raise refusal(
            rod,
            f"the {rod.side} rod {rod.label}, {grouped(rod.identifier)}, is NOT TO BE WORN: "
            f"{beyond} on what holds now; keep it in the lab and record it as withdrawn, or say "
            "with --unreleased why it leaves the lab all the same; nothing was recorded",
        )


def _makes(reader: Reader, rod: StoredRod) -> PairStanding | None:
    """Give what a rod makes with what fills the other place of its step; None if nobody knows."""
    from labkit.workflow.record.standing import case_rods
    from labkit.workflow.sets.stored_case import pair_of, read_case

    try:
        holds = read_case(reader, rod.case).prescription
        known = tuple(case_rods(reader, rod.case))
    except LabkitError:  # a case of another version can still be told of
        return None
    own = [
        one.rod for one in known if one.rod.rod.pair == pair_of(rod)
        and (one.identifier == rod.identifier
             or (one.in_circulation and one.rod.rod.side != rod.side))
    ]
    return pairs_standing(own, holds).get(pair_of(rod))


def _words(reader: Reader, rod: StoredRod) -> str:
    """Give the words beside a rod in circulation; empty where it may be worn."""
    makes = _makes(reader, rod) if rod.state in IN_CIRCULATION else None
    return NOT_TO_BE_WORN if makes is not None and makes.not_to_be_worn else ""


def _take_back(
    ledger: Ledger, rod: StoredRod, told: Told, by: str, at: datetime.datetime
) -> Event:
    """Correct the last state that a person recorded of a rod."""
    own = [
        event for event in ledger.current(rod.case, Kind.ROD_STATE)
        if event.body["identifier"] == rod.identifier
    ]
    if not own:
        raise refusal(
            rod,
            f"of the rod {grouped(rod.identifier)} no state was recorded that could be a mistake; "
            "nothing was recorded",
        )
    if not has_words(told.note):
        raise InputError(
            "a mistake is taken back with a reason: add --note; nothing was recorded",
            field="note",
        )
    return ledger.write(rod.case, bodies.Correction(told.note), by, at, corrects=own[-1].seq)


_COLUMNS = (
    Column("identifier", lambda row: grouped(row[0].identifier)),
    Column("rod", lambda row: f"{row[0].label} {row[0].side}"),
    Column("set", lambda row: row[0].set_name),
    Column("was", lambda row: row[0].state),
    Column("is", lambda row: row[1].state),
    Column("entry", lambda row: row[2].seq),
    Column("", lambda row: row[3]),
)


def _next(after: tuple[StoredRod, ...]) -> Iterator[str]:
    """Say what comes next where rods are gone whose places are now empty."""
    gone = [rod.identifier for rod in after if rod.state in (RodState.LOST, RodState.BROKEN)]
    if gone:
        yield f"Make replacements with `labkit replace {' '.join(gone)} --reason … --out …`"


def _report(
    before: tuple[StoredRod, ...], after: tuple[StoredRod, ...], events: list[Event],
    words: list[str],
) -> Report:
    rows = list(zip(before, after, events, words, strict=True))
    circulating = sum(rod.state in IN_CIRCULATION for rod in after)
    return Report(
        "Rods", (Section("Recorded", tuple(_next(after)), Table.of(_COLUMNS, rows)),),
        {
            "schema": 1,
            "rods": [
                {"identifier": new.identifier, "case": new.case, "was": old.state,
                 "state": new.state, "entry": event.seq, "not_to_be_worn": bool(struck)}
                for old, new, event, struck in rows
            ],
            "in_circulation": circulating,
        },
    )
