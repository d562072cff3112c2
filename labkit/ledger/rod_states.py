"""Which state a rod is in: the last thing that was said about it and not corrected."""

from __future__ import annotations

from collections import defaultdict

from sqlalchemy import Connection, select

from labkit.ledger.replacements import chunks, replacements_in
from labkit.ledger.stored import Stamp, StoredRod
from labkit.ledger.tables import CORRECTIONS, EVENTS, RELEASES, ROD_STATES, RODS, SET_ENDS

#: A rod in one of these states is in nobody's box any more: what is decided about its set later
#: is not decided about the rod.
GONE_STATES = ("rejected", "broken", "lost", "withdrawn")

#: Said about a rod: number of the event, when, by whom, state.
_Said = tuple[int, str, str, str]


def rods_where(connection: Connection, condition: object) -> tuple[StoredRod, ...]:
    """Read rods with their states.

    Args:
        condition: SQL condition on the columns of `rods`.

    Returns:
        The rods in the order of their sets, steps and sides.
    """
    rods = connection.execute(
        select(RODS, EVENTS.c.at, EVENTS.c.operator)
        .join(EVENTS, RODS.c.seq == EVENTS.c.seq)
        .where(condition)  # type: ignore[arg-type]
        .order_by(RODS.c.seq, RODS.c.step, RODS.c.side)
    ).all()
    names = {rod.set_name for rod in rods}
    of_sets, replaced = _said_of_sets(connection, names), replacements_in(connection, names)
    of_rods = _said_of_rods(connection, [rod.identifier for rod in rods])
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
                replaces=replaced.replaces.get(rod.identifier, ""),
                first_set=replaced.of_set.get(rod.set_name, rod.set_name),
            )
        )
    return tuple(found)


def _last(of_set: list[_Said], of_rod: list[_Said]) -> _Said:
    """Give what holds of a rod: the last thing said, but a set's release brings no rod back."""
    own = max(of_rod, default=None)
    if own is not None and own[-1] in GONE_STATES:
        return own
    return max((*of_set, *of_rod))


def _said_of_sets(connection: Connection, names: set[str]) -> dict[str, list[_Said]]:
    said: dict[str, list[_Said]] = defaultdict(list)
    for table, word in ((SET_ENDS, SET_ENDS.c.outcome), (RELEASES, RELEASES.c.decision)):
        for part in chunks(sorted(names)):
            query = (
                select(table.c.set_name, table.c.seq, EVENTS.c.at, EVENTS.c.operator, word)
                .join(EVENTS, table.c.seq == EVENTS.c.seq)
                .where(table.c.set_name.in_(part))
                .where(table.c.seq.not_in(select(CORRECTIONS.c.corrects)))
            )
            for name, *rest in connection.execute(query):
                said[name].append(tuple(rest))
    return said


def _said_of_rods(connection: Connection, identifiers: list[str]) -> dict[str, list[_Said]]:
    said: dict[str, list[_Said]] = defaultdict(list)
    table = ROD_STATES
    for part in chunks(identifiers):
        query = (
            select(table.c.identifier, table.c.seq, EVENTS.c.at, EVENTS.c.operator, table.c.state)
            .join(EVENTS, table.c.seq == EVENTS.c.seq)
            .where(table.c.identifier.in_(part))
            .where(table.c.seq.not_in(select(CORRECTIONS.c.corrects)))
        )
        for identifier, *rest in connection.execute(query):
            said[identifier].append(tuple(rest))
    return said
