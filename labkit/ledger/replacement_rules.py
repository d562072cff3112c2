"""What may be said about rejected rods and those that take their place.

Each rule is asked with the write lock held, and says what contradicts what; "" where nothing does.
"""

from __future__ import annotations

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import ENDS, may_follow
from labkit.ledger.bodies import Order, OrderLine, RodReserved, RodState, SetStarted, said
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.rods import REPLACEMENT, replacement_of
from labkit.ledger.stored import StoredRod


def against_order(reader: Reader, case: str, body: Order) -> str:
    """Find what is wrong with an order in which a line replaces a rod."""
    rods = {rod.identifier: rod for rod in reader.rods(case)}
    for line in body.lines:
        if line.replaces:
            wrong = _against_like(line, rods.get(line.replaces), ("side", "length_um", "label"))
            if wrong:
                return wrong
    return ""


def against_set(reader: Reader, case: str, body: SetStarted) -> str:
    """Find what is wrong with a set to be begun, as far as its rods replace others."""
    lines, replacing = body.rods, body.purpose == REPLACEMENT
    for line in lines:
        if bool(line.replaces) != replacing:
            return (
                f"has the set {body.set} of the purpose {body.purpose}; a rod names the one "
                "that it replaces in a replacement set, and only there"
            )
    if not replacing:
        return ""
    rods = {rod.identifier: rod for rod in reader.rods(case)}
    for line in lines:
        wrong = _against_like(line, rods.get(line.replaces or ""), tuple(_LIKE))
        wrong = wrong or _against_place(tuple(rods.values()), rods[line.replaces or ""])
        if wrong:
            return wrong
    if len({rods[line.replaces or ""].first_set for line in lines}) > 1:
        return "has rods of two sets to be replaced in one; replace them set by set"
    return ""


_LIKE = {"step": "step", "side": "side", "length_um": "length", "label": "label"}


def _against_like(
    line: OrderLine | RodReserved, rod: StoredRod | None, names: tuple[str, ...]
) -> str:
    if rod is None:
        return f"has no rod {grouped(line.replaces or '')} to be replaced"
    for name in names:
        if getattr(line, name) != getattr(rod, name):
            return (
                f"cannot replace the rod {grouped(rod.identifier)} by one of another "
                f"{_LIKE[name]} ({getattr(line, name)}, not {getattr(rod, name)})"
            )
    return ""


def _against_place(rods: tuple[StoredRod, ...], rod: StoredRod) -> str:
    shown = grouped(rod.identifier)
    if rod.state not in ENDS:
        return f"has the rod {shown} {rod.state}; it is replaced once it is rejected"
    by = replacement_of(rods, rod.identifier)
    return f"has the rod {shown} replaced by {grouped(by.identifier)} already" if by else ""


def against_state(reader: Reader, event: Event) -> str:
    """Find what is wrong with the state that a rod is to be given.

    Args:
        event: It; the rod is one of the case that was made.
    """
    told = said(event, RodState)
    rod = reader.find(told.identifier)
    assert rod is not None
    shown, state = grouped(rod.identifier), told.state
    if event.corrects is None and rod.state == state:
        return f"has the rod {shown} {state} already"
    if event.corrects is None and not may_follow(rod.state, state):
        return f"has the rod {shown} {rod.state}; it cannot be {state} unless that is taken back"
    return "" if state in ENDS else _has_replacement(reader, event.case, rod)


def against_taking_back(reader: Reader, event: Event, earlier: Event) -> str:
    """Find what is wrong with taking back what was said about a rod's state."""
    if event.kind is not Kind.CORRECTION or earlier.kind is not Kind.ROD_STATE:
        return ""
    rod = reader.find(said(earlier, RodState).identifier)
    assert rod is not None
    return _has_replacement(reader, event.case, rod)


def _has_replacement(reader: Reader, case: str, rod: StoredRod) -> str:
    """Two rods must never stand in one place of a set."""
    by = replacement_of(reader.rods(case), rod.identifier)
    if by is None:
        return ""
    return (
        f"has the rod {grouped(rod.identifier)} replaced by {grouped(by.identifier)}, which is "
        "in its place"
    )
