"""Rods as they are now: the state of each, whose place it takes, and where that was first made."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, exists, select, true

from labkit.ledger.stored import Stamp, StoredRod
from labkit.ledger.tables import EVENTS, RELEASES, ROD_STATES, RODS, SET_ENDS

#: Purpose of a set that holds nothing but rods that take the place of others.
REPLACEMENT = "replacement"

#: Said about a rod: number of the event, when, by whom, state.
_Said = tuple[int, str, str, str]
_LATER = EVENTS.alias("later")


def standing(seq: Column[Any]) -> ColumnElement[bool]:
    """Ask that nothing has corrected an event."""
    return ~exists().where(_LATER.c.corrects == seq)


def rods_where(connection: Connection, condition: ColumnElement[bool]) -> tuple[StoredRod, ...]:
    """Read rods with their states.

    Args:
        condition: On the columns of `rods`.

    Returns:
        The rods in the order of their sets, steps and sides.
    """
    rods = connection.execute(
        select(RODS, EVENTS.c.at, EVENTS.c.operator)
        .join(EVENTS, RODS.c.seq == EVENTS.c.seq)
        .where(condition)
        .order_by(RODS.c.seq, RODS.c.step, RODS.c.side)
    ).all()
    of_sets, of_rods = _said(connection, condition)
    first_sets = _first_sets(connection, rods)
    found = []
    for rod in rods:
        begun = (rod.seq, rod.at, rod.operator, "reserved")
        seq, at, by, state = _last([begun, *of_sets[rod.set_name]], of_rods[rod.identifier])
        found.append(
            StoredRod(
                identifier=rod.identifier,
                case=rod.case_number,
                set_name=rod.set_name,
                step=rod.step,
                side=rod.side,
                length_um=rod.length_um,
                label=rod.label,
                percent=rod.percent,
                state=state,
                state_since=Stamp(seq, at, by),
                made=Stamp(rod.seq, rod.at, rod.operator),
                replaces=rod.replaces or "",
                first_set=first_sets.get(rod.set_name, rod.set_name),
            )
        )
    return tuple(found)


def count_by_case(
    groups: Sequence[Collection[str]], connection: Connection
) -> tuple[Counter[str], ...]:
    """Count the rods of each case that are in one of some states, other than reserved.

    Args:
        groups: States that are counted together; a state may be in several.

    Returns:
        Case → count, for each group.
    """
    of_sets, of_rods = _said(connection, true())
    rods = select(RODS.c.case_number, RODS.c.set_name, RODS.c.identifier)
    counted: tuple[Counter[str], ...] = tuple(Counter() for _ in groups)
    for case, name, identifier in connection.execute(rods):
        if name in of_sets:
            state = _last(of_sets[name], of_rods.get(identifier, []))[-1]
            for count, states in zip(counted, groups, strict=True):
                count[case] += state in states
    return counted


def replacement_of(rods: Iterable[StoredRod], identifier: str) -> StoredRod | None:
    """Find the rod made, or being made, in place of another; None where there is none."""
    for rod in rods:
        if rod.replaces == identifier and rod.state != "abandoned":
            return rod
    return None


def _last(of_set: list[_Said], of_rod: list[_Said]) -> _Said:
    """Give what holds of a rod: what was said of itself last, else of its set."""
    return max(of_rod, default=None) or max(of_set)


def _said(
    connection: Connection, condition: ColumnElement[bool]
) -> tuple[dict[str, list[_Said]], dict[str, list[_Said]]]:
    """Read what was said, and stands, about the sets of some rods, and about the rods."""
    of_sets: dict[str, list[_Said]] = defaultdict(list)
    of_rods: dict[str, list[_Said]] = defaultdict(list)
    for said, name, word in (
        (of_sets, SET_ENDS.c.set_name, SET_ENDS.c.outcome),
        (of_sets, RELEASES.c.set_name, RELEASES.c.decision),
        (of_rods, ROD_STATES.c.identifier, ROD_STATES.c.state),
    ):
        seq = word.table.c.seq
        query = (
            select(name, seq, EVENTS.c.at, EVENTS.c.operator, word)
            .join(EVENTS, seq == EVENTS.c.seq)
            .where(name.in_(select(RODS.c[name.name]).where(condition)), standing(seq))
        )
        for key, *rest in connection.execute(query):
            said[key].append(tuple(rest))
    return of_sets, of_rods


def _first_sets(connection: Connection, rods: Sequence[Any]) -> dict[str, str]:
    """Go from replacement to replaced rod until a set is reached that replaces nothing.

    Returns:
        Replacement set → the set in which its rods' places were first made.
    """
    replacing = {rod.set_name: rod.replaces for rod in rods if rod.replaces}
    if not replacing:
        return {}
    cases = {rod.case_number for rod in rods}
    query = select(RODS.c.identifier, RODS.c.set_name, RODS.c.replaces)
    known = {
        identifier: (name, earlier)
        for identifier, name, earlier in connection.execute(
            query.where(RODS.c.case_number.in_(cases))
        )
    }
    found = {}
    for replacement, replaced in replacing.items():
        name, earlier = known[replaced]
        while earlier:
            name, earlier = known[earlier]
        found[replacement] = name
    return found
