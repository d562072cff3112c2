"""Days that are told: in the time zone of whoever tells them, and not to come."""

from __future__ import annotations

import datetime

from labkit.core.case.rod_life import RodState
from labkit.errors import RefusedError
from labkit.ledger import bodies
from labkit.ledger.bodies import said
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod

#: What is done about a wrong day.
CHECK_DAY = "check the day given with --date"


def local_day(at: str, now: datetime.datetime) -> datetime.date:
    """Give the day of a moment of the record.

    Args:
        now: A moment in the time zone whose days count.
    """
    return datetime.datetime.fromisoformat(at).astimezone(now.tzinfo).date()


def not_then(what: str, why: str, do: str = CHECK_DAY) -> RefusedError:
    """Refuse a day on which something cannot have been.

    Args:
        what: Such as "the trial fit cannot have been then".
        do: What is to be done about it.
    """
    return RefusedError(f"{what}: {why}; {do}", field="date")


def check_not_to_come(
    what: str, on: datetime.date, today: datetime.date, do: str = CHECK_DAY
) -> None:
    """Refuse a day to come.

    Args:
        what, do: As for `not_then`.

    Raises:
        RefusedError: It lies after today.
    """
    if on > today:
        raise not_then(what, f"{on} lies in the future; today is {today}", do)


def last_day(
    reader: Reader, rod: StoredRod, at: datetime.datetime
) -> tuple[str, datetime.date]:
    """Give the last state of a rod that has a day, and that day: a person's word, or made."""
    since = reader.event(rod.state_since.seq)
    if since is not None and since.kind is Kind.ROD_STATE:
        on = said(since, bodies.RodState).on
        return rod.state, datetime.date.fromisoformat(on) if on else local_day(since.at, at)
    if rod.state == RodState.RELEASED:
        return rod.state, local_day(rod.state_since.at, at)
    return RodState.MADE, local_day(rod.made.at, at)
