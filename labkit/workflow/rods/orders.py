"""Orders of a case: what became of each, and taking one back whose rods have not left the lab."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.case import rod_life
from labkit.core.case.identifier import grouped
from labkit.core.reasons import check_reason
from labkit.core.report import Column, Report, Section, Table
from labkit.errors import RefusedError
from labkit.ledger.bodies import Order, OrderWithdrawn, RodState, said
from labkit.ledger.events import Event, Kind, Who
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import SetState, StoredRod, StoredSet
from labkit.units import counted
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.story import moment
from labkit.workflow.rods.slips import no_such_entry
from labkit.workflow.rods.slots import withdrawn_orders

#: States that say that a rod has left the lab, or had.
_LEFT = (*rod_life.OUT_OF_HOUSE, rod_life.RodState.RETURNED)


@dataclass(frozen=True)
class OrderNow:
    """An order that nothing has corrected.

    Args:
        by_set: The set that serves it; None where none was finished or is at work.
        rods: The rods of that set, and those that took the place of one of them.
        withdrawn: The event that took it back; None where it holds.
    """

    event: Event
    by_set: StoredSet | None
    rods: tuple[StoredRod, ...]
    withdrawn: Event | None

    @property
    def asked(self) -> str:
        """What was ordered, in words."""
        lines = said(self.event, Order).lines
        return ", ".join(f"{line.label} {line.side} ({line.asked})" for line in lines)

    @property
    def state(self) -> str:
        """What became of it."""
        if self.withdrawn is not None:
            return f"withdrawn, entry {self.withdrawn.seq}"
        if self.by_set is None:
            return "not made"
        how = "being made" if self.by_set.state is SetState.STARTED else "made"
        return f"{how} as {self.by_set.name}"


def orders_of(reader: Reader, case: str) -> tuple[OrderNow, ...]:
    """Tell what became of the orders of a case, the first one first."""
    taken_back = withdrawn_orders(reader, case)
    by_order = {
        stored.order: stored
        for stored in reader.sets(case)
        if stored.order is not None and stored.state is not SetState.ABANDONED
    }
    rods = reader.rods(case)
    return tuple(
        OrderNow(event, served, _with_later(rods, served), taken_back.get(event.seq))
        for event in reader.current(case, Kind.ORDER)
        for served in (by_order.get(event.seq),)
    )


def _with_later(rods: tuple[StoredRod, ...], served: StoredSet | None) -> tuple[StoredRod, ...]:
    """Give the rods of a set, and those that were made in the place of one of them."""
    if served is None:
        return ()
    found = [rod for rod in rods if rod.set_name == served.name]
    known = {rod.identifier for rod in found}
    for rod in rods:  # a rod comes after the one whose place it takes
        if rod.replaces in known and rod.identifier not in known:
            known.add(rod.identifier)
            found.append(rod)
    return tuple(found)


def withdraw_order(ledger: Ledger, case: str, entry: int, reason: str, who: Who) -> Report:
    """Take an order back: its rods in the lab are withdrawn, and stand in no other rod's way.

    Args:
        entry: Number of the order's event.

    Raises:
        InputError: There is no such case or order, or no reason is given.
        RefusedError: It was taken back already, is being made, or a rod of it has left the lab.
        LedgerError: The ledger cannot be written.
    """
    need_case(ledger, case)
    check_reason(reason, "why with --reason")
    with ledger.transaction():
        order = _order(ledger, case, entry)
        _refuse_withdrawn(order)
        _refuse_at_work(order)
        _refuse_left(ledger, order)
        for rod in order.rods:
            if rod_life.may_follow(rod.state, "withdrawn"):
                ledger.write(case, RodState(rod.identifier, "withdrawn", reason), *who)
        ledger.write(case, OrderWithdrawn(entry, reason), *who)
        return withdrawn_report(case, _order(ledger, case, entry))


def _order(reader: Reader, case: str, entry: int) -> OrderNow:
    orders = orders_of(reader, case)
    for order in orders:
        if order.event.seq == entry:
            return order
    raise no_such_entry(case, entry, "order", (order.event.seq for order in orders))


def _refuse_withdrawn(order: OrderNow) -> None:
    if order.withdrawn is not None:
        event = order.withdrawn
        raise RefusedError(
            f"the order of entry {order.event.seq} was withdrawn already, as entry {event.seq} by "
            f"{event.by} on {moment(event.at)}; nothing was recorded",
            field="withdraw", value=order.event.seq,
        )


def _refuse_at_work(order: OrderNow) -> None:
    if order.by_set is not None and order.by_set.state is SetState.STARTED:
        raise RefusedError(
            f"the order of entry {order.event.seq} is being made as {order.by_set.name}; wait "
            "until that run has ended, or, if it was stopped, run `labkit ledger reconcile`; "
            "nothing was recorded",
            field="withdraw", value=order.event.seq,
        )


def _refuse_left(reader: Reader, order: OrderNow) -> None:
    said_of = {
        told.identifier for event in reader.current(order.event.case, Kind.ROD_STATE)
        if (told := said(event, RodState)).state in _LEFT
    }
    left = [rod for rod in order.rods if rod.identifier in said_of]
    if left:
        named = ", ".join(f"{grouped(rod.identifier)} ({rod.state})" for rod in left)
        raise RefusedError(
            f"the order of entry {order.event.seq} has rods that left the lab: {named}; an order "
            "is withdrawn only before that; report each rod instead, with `labkit rod`, as "
            "returned or withdrawn; nothing was recorded",
            field="withdraw", value=order.event.seq,
        )


_ORDERS = (
    Column("entry", "event.seq", "entry"),
    Column("ordered", lambda order: order.event.at[:10], "date"),
    Column("by", "event.by", "by"),
    Column("rods", "asked", "asked"),
    Column("state", "state", "state"),
    Column(None, lambda order: order.by_set and order.by_set.name, "set"),
    Column(None, lambda order: order.withdrawn and order.withdrawn.seq, "withdrawn_by"),
)


def orders_report(reader: Reader, case: str) -> Report:
    """List the orders of a case.

    Raises:
        InputError: The ledger does not know the case.
    """
    with reader.snapshot():
        need_case(reader, case)
        table = Table.of(_ORDERS, orders_of(reader, case))
    none = () if table.rows else ("Nothing was ordered besides its sets.",)
    return Report(
        "Orders", (Section(f"Orders of case {case}", none, table),),
        {"schema": 1, "case": case, "orders": table.records},
    )


_RODS = (
    Column("identifier", "identifier", "identifier", grouped),
    Column("rod", lambda rod: f"{rod.label} {rod.side}", "rod"),
    Column("state", "state", "state"),
)


def withdrawn_report(case: str, order: OrderNow) -> Report:
    """Say what was withdrawn with an order, and what lies where."""
    assert order.withdrawn is not None
    table = Table.of(_RODS, order.rods)
    words = [f"The order of entry {order.event.seq} is withdrawn, entry {order.withdrawn.seq}."]
    if order.by_set is not None:
        words.append(
            f"{counted(len(order.rods), 'rod')} made for it lie in {order.by_set.folder} or "
            "beside it: keep them apart; none of them may be delivered."
        )
    return Report(
        "An order withdrawn", (Section(f"Case {case}", tuple(words), table),),
        {
            "schema": 1, "case": case, "order": order.event.seq, "entry": order.withdrawn.seq,
            "set": order.by_set and order.by_set.name, "rods": table.records,
        },
    )
