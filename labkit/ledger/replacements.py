"""Rods that take the place of rejected ones: whose place, and in which set it was first made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, select

from labkit.ledger.chain import event_of
from labkit.ledger.stored import StoredRod
from labkit.ledger.tables import EVENTS, RODS, SETS

#: Purpose of a set that holds nothing but such rods.
REPLACEMENT = "replacement"


@dataclass(frozen=True)
class Replacements:
    """What some replacement sets replace.

    Args:
        replaces: Identifier of a rod → that of the rod whose place it takes.
        of_set: Replacement set → the set in which its rods' places were first made.
    """

    replaces: dict[str, str]
    of_set: dict[str, str]


def replacements_in(connection: Connection, names: Iterable[str]) -> Replacements:
    """Look up what the replacement sets among some sets replace.

    Returns:
        The rods and the sets; nothing of sets of another purpose.
    """
    # One question for all: most sets replace nothing.
    of_purpose = select(SETS.c.set_name).where(SETS.c.purpose == REPLACEMENT)
    found = {
        name: _replaced(connection, name)
        for part in chunks(sorted(set(names)))
        for name in connection.scalars(of_purpose.where(SETS.c.set_name.in_(part)))
    }
    return Replacements(
        {new: old for rods in found.values() for new, old in rods.items()},
        {name: _first_set(connection, rods) for name, rods in found.items()},
    )


def replacement_of(rods: Iterable[StoredRod], identifier: str) -> StoredRod | None:
    """Find the rod made, or being made, in place of another; None where there is none."""
    for rod in rods:
        if rod.replaces == identifier and rod.state != "abandoned":
            return rod
    return None


def chunks(values: list[str], size: int = 500) -> Iterable[list[str]]:
    """Cut a list so that no query has more parameters than a database takes."""
    return (values[at : at + size] for at in range(0, len(values), size))


def _replaced(connection: Connection, name: str) -> dict[str, str]:
    """Read from the event that began a set which rods its rods replace."""
    query = (
        select(EVENTS)
        .join(SETS, SETS.c.seq == EVENTS.c.seq)
        .where(SETS.c.set_name == name)
        .where(SETS.c.purpose == REPLACEMENT)
    )
    row = connection.execute(query).one_or_none()
    if row is None:
        return {}
    rods = event_of(row).body["rods"]
    return {rod["identifier"]: rod["replaces"] for rod in rods if rod.get("replaces")}


def _first_set(connection: Connection, rods: dict[str, str]) -> str:
    """Go from replacement to replaced rod until a set is reached that replaces nothing."""
    replaced = min(rods.values())
    while True:
        query = select(RODS.c.set_name).where(RODS.c.identifier == replaced)
        name = str(connection.execute(query).scalar_one())
        earlier = _replaced(connection, name)
        if replaced not in earlier:
            return name
        replaced = earlier[replaced]
