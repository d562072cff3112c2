"""The places of a made set, and the rod that fills each of them now."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from labkit.core.case.rod_life import ENDS
from labkit.ledger.bodies import OrderWithdrawn, said
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.rods import REPLACEMENT
from labkit.ledger.stored import SetState, StoredRod, StoredSet


@dataclass(frozen=True)
class Slot:
    """One place of a set: a side of a step.

    Args:
        step: Number of the step, from 1.
        side: "left" or "right".
        rod: The rod that fills it now; where that was rejected and nothing replaces it yet, the
            rejected one; where its replacement is being made, that one ("reserved").
        replaced: The rods that it stands for, the first one made first.
    """

    step: int
    side: str
    rod: StoredRod
    replaced: tuple[StoredRod, ...] = ()

    @property
    def filled(self) -> bool:
        """Whether a rod that was made and not rejected, broken, lost or withdrawn is there."""
        return self.rod.state not in (*ENDS, "reserved", "abandoned")


def slots_of(reader: Reader, stored: StoredSet) -> tuple[Slot, ...]:
    """Tell which rod fills each place of a set now.

    Args:
        stored: A set; of a replacement set, the places of the set that it belongs to.

    Returns:
        One slot for each side of each step that the set has, by step, left before right.
    """
    rods = reader.rods(stored.case)
    first = first_set_of(rods, stored)
    after = {rod.replaces: rod for rod in rods if rod.replaces and rod.state != "abandoned"}
    return tuple(
        _slot(rod, after)
        for rod in sorted(rods, key=lambda rod: (rod.step, rod.side))
        if rod.set_name == first
    )


def rods_meant(reader: Reader, stored: StoredSet) -> list[StoredRod]:
    """Give the rods that fill the places of a set; of a set of replacements, its own ones."""
    return [
        slot.rod for slot in slots_of(reader, stored)
        if slot.filled and (stored.purpose != REPLACEMENT or slot.rod.set_name == stored.name)
    ]


def _slot(first: StoredRod, after: dict[str, StoredRod]) -> Slot:
    chain = [first]
    while chain[-1].identifier in after:
        chain.append(after[chain[-1].identifier])
    return Slot(first.step, first.side, chain[-1], tuple(chain[:-1]))


def first_set_of(rods: tuple[StoredRod, ...], stored: StoredSet) -> str:
    """Name the set whose places a set fills: itself, unless its rods are replacements."""
    return next((rod.first_set for rod in rods if rod.set_name == stored.name), stored.name)


def whole_sets(sets: Iterable[StoredSet]) -> list[StoredSet]:
    """Keep the sets that are made and fill no places of another one."""
    return [each for each in sets if each.state is SetState.MADE and each.purpose != REPLACEMENT]


def wanted_sets(reader: Reader, case: str) -> list[StoredSet]:
    """Give the whole sets of a case without those whose order was taken back."""
    taken_back = withdrawn_orders(reader, case)
    return [each for each in whole_sets(reader.sets(case)) if each.order not in taken_back]


def withdrawn_orders(reader: Reader, case: str) -> dict[int, Event]:
    """Tell which orders of a case were taken back: number → the event that did."""
    return {
        said(event, OrderWithdrawn).order: event
        for event in reader.current(case, Kind.ORDER_WITHDRAWN)
    }
