"""The rods that each process made, and which of them are rejected, over the whole record."""

from __future__ import annotations

from collections import Counter

from sqlalchemy import Connection, func, select

from labkit.core.case import rod_life
from labkit.ledger.bodies import RodState, said
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState
from labkit.ledger.tables import ROD_STATES, RODS, SET_ENDS, SETS

REJECTED = rod_life.RodState.REJECTED


def made_and_rejected(reader: Reader) -> tuple[Counter[str], Counter[tuple[str, str]]]:
    """Count the rods of every process.

    Returns:
        Process → rods made; (process, cause) → rods rejected, the cause empty where nobody told it.
    """
    rejected: Counter[tuple[str, str]] = Counter()
    for case in reader.cases_ahead(reader.ask(_cases_with_rejected)):
        process = {
            one.name: one.process.name for one in reader.sets(case) if one.state is SetState.MADE
        }
        bad = [rod for rod in reader.rods(case)
               if rod.state == REJECTED and rod.set_name in process]
        causes = _causes(reader, case) if bad else {}
        rejected.update((process[rod.set_name], causes.get(rod.identifier, "")) for rod in bad)
    return reader.ask(_made), rejected


def _made(connection: Connection) -> Counter[str]:
    query = (
        select(SETS.c.process_name, func.count())
        .join(RODS, RODS.c.set_name == SETS.c.set_name)
        .join(SET_ENDS, SET_ENDS.c.set_name == SETS.c.set_name)
        .where(SET_ENDS.c.outcome == str(SetState.MADE))
        .group_by(SETS.c.process_name)
    )
    return Counter({name: count for name, count in connection.execute(query)})


def _cases_with_rejected(connection: Connection) -> list[str]:
    query = (
        select(RODS.c.case_number).distinct()
        .join(ROD_STATES, ROD_STATES.c.identifier == RODS.c.identifier)
        .where(ROD_STATES.c.state == str(REJECTED))
        .order_by(RODS.c.case_number)
    )
    return list(connection.scalars(query))


def _causes(reader: Reader, case: str) -> dict[str, str]:
    """Give why each rod of a case was rejected."""
    told = (said(event, RodState) for event in reader.current(case, Kind.ROD_STATE))
    return {one.identifier: one.cause or "" for one in told if one.state == REJECTED}
