"""Days that are told: in the time zone of whoever tells them, and not to come."""

from __future__ import annotations

import datetime

from labkit.errors import RefusedError

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
