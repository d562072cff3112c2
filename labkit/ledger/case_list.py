"""A line about every case, worked out for all of them at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, func, select

from labkit.ledger.stored import CaseSummary, SetState, Stamp
from labkit.ledger.tables import CASES, EVENTS, PRESCRIPTIONS, RODS, SET_ENDS, SETS


def summaries(connection: Connection) -> Iterator[CaseSummary]:
    """Give a line about every case, the one opened first at the top."""
    def counts(number: Any, table: Any) -> dict[str, int]:
        query = select(table.c.case_number, number).group_by(table.c.case_number)
        if table is not PRESCRIPTIONS:
            query = query.join(SET_ENDS, SET_ENDS.c.set_name == table.c.set_name)
            query = query.where(SET_ENDS.c.outcome == str(SetState.MADE))
        return {case: number for case, number in connection.execute(query)}

    revisions = counts(func.max(PRESCRIPTIONS.c.revision), PRESCRIPTIONS)
    sets, rods = counts(func.count(), SETS), counts(func.count(), RODS)
    first, last = EVENTS.alias(), EVENTS.alias()
    ends = (
        select(EVENTS.c.case_number, func.max(EVENTS.c.seq).label("seq"))
        .group_by(EVENTS.c.case_number)
        .subquery()
    )
    query = (
        select(
            CASES.c.case_number, first.c.seq, first.c.at, first.c.operator,
            last.c.seq, last.c.at, last.c.operator, last.c.kind, last.c.digest,
        )
        .join(first, first.c.seq == CASES.c.seq)
        .join(ends, ends.c.case_number == CASES.c.case_number)
        .join(last, last.c.seq == ends.c.seq)
        .order_by(CASES.c.seq)
    )
    for case, *told in connection.execute(query):
        opened, ended = Stamp(*told[:3]), Stamp(*told[3:6])
        yield CaseSummary(
            case, opened, revisions.get(case, 0), sets.get(case, 0), rods.get(case, 0), ended,
            *told[6:],
        )
