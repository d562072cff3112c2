"""The command `labkit` on a day after the invented stories of the tests.

Usage: python -m tests.support.after_story release CASE ...
"""

from __future__ import annotations

import datetime

from labkit.cli import clock
from labkit.cli.main import main

REAL_NOW = clock.now
#: Invented stories begin on 2031-03-14; the record takes no entry from before its last one.
TODAY = datetime.datetime(2031, 6, 2, 9, 26, 53, tzinfo=datetime.UTC)


def then():
    """Run the command on that day."""
    clock.now = lambda: TODAY
    main()


if __name__ == "__main__":
    then()
