"""Which sets were made with a process."""

from __future__ import annotations

from sqlalchemy import Connection, select

from labkit.ledger.stored import SetState
from labkit.ledger.tables import SET_ENDS, SETS


def sets_made_with(connection: Connection, process: str) -> tuple[str, ...]:
    """Name the made sets whose recorded process bears a name.

    Returns:
        Names of sets, the newest first.
    """
    query = (
        select(SETS.c.set_name)
        .join(SET_ENDS, SET_ENDS.c.set_name == SETS.c.set_name)
        .where(SETS.c.process_name == process, SET_ENDS.c.outcome == str(SetState.MADE))
        .order_by(SETS.c.seq.desc())
    )
    return tuple(connection.scalars(query))
