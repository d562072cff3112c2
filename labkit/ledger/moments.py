"""When an entry is made: after the one before it, by a clock that can be right."""

from __future__ import annotations

import datetime
import os
from collections.abc import Mapping

from labkit.errors import LedgerError
from labkit.ledger.events import utc_text

#: States the day it is, where the record rested for long.
VARIABLE = "LABKIT_TODAY"
#: The program is younger than this; a clock that says less lost its battery.
EARLIEST = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
#: Two machines may differ by this much; an entry is then given the moment of the one before.
SKEW = datetime.timedelta(minutes=5)
#: A lab records every few days; a longer rest is more likely a clock that was set wrongly, and an
#: entry from the future would bar every later one.
LONGEST_REST = datetime.timedelta(days=400)
_DAY = datetime.timedelta(days=1)


def moment_after(
    last: str | None, at: datetime.datetime, environment: Mapping[str, str] = os.environ
) -> datetime.datetime:
    """Give the moment of an entry.

    Args:
        last: When the entry before it was made, as recorded; None where there is none.
        at: What the clock says, with a time zone.

    Returns:
        That moment, or the one before it where the clock is a little slow.

    Raises:
        LedgerError: The clock runs behind the record, or far ahead of it.
    """
    if at < EARLIEST:
        raise _wrong(at, "the program is younger than that")
    if last is None:
        return at
    before = datetime.datetime.fromisoformat(last)
    if at < before - SKEW:
        raise _wrong(at, f"the last entry of the record was made at {last[:16]}Z")
    if at > before + LONGEST_REST and not _is_stated(at, environment):
        raise _wrong(
            at, f"the last entry of the record is of {last[:10]}, more than "
            f"{LONGEST_REST.days} days before; if that is right, state today's date in the "
            f"environment variable {VARIABLE}, such as {VARIABLE}={at.date()}",
        )
    return max(at, before)


def _is_stated(at: datetime.datetime, environment: Mapping[str, str]) -> bool:
    """Tell whether a person stated the day, here or on the other side of the world."""
    days = (at + lag for lag in (-_DAY, 0 * _DAY, _DAY))
    return environment.get(VARIABLE, "") in {day.date().isoformat() for day in days}


def _wrong(at: datetime.datetime, why: str) -> LedgerError:
    return LedgerError(
        f"the clock of this machine says {utc_text(at)[:16]}Z, and {why}; nothing was recorded; "
        "set the clock and run again",
        field="at", value=at,
    )
