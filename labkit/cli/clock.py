"""The one place where commands read the clock.

Commands call `clock.now()` and `clock.today()` through this module, so that a test that sets the
hour here sets it for all of them.
"""

from __future__ import annotations

import datetime


def now() -> datetime.datetime:
    """Read the clock: this moment, in universal time, as the ledger keeps it."""
    return datetime.datetime.now(datetime.UTC)


def today() -> datetime.date:
    """Give the day that the calendar on the wall of the lab shows.

    It is the local day of `now()`: in universal time a lab far to the east would still be told
    yesterday's date in the morning.
    """
    return now().astimezone().date()
