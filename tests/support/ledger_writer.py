"""Writes to a ledger in a process of its own, as often as asked or until it is killed.

Usage: python -m tests.support.ledger_writer URL NAME COUNT (0: until killed). Prints the
number of each entry after it was recorded.
"""

from __future__ import annotations

import sys
import time

from labkit.core.case.identifier import rod_identifier
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from tests.support.ledgers import made, moment, started

CASE = "QF-8"


def one_set(ledger, name, number):
    """Record a set of this writer, named by what the ledger holds: read, decide, append."""
    with ledger.transaction():
        known = ledger.head().count
        body = started(f"{name}-{number}", 1)
        # All writers ask for the same identifiers, and take the next attempt where one is taken.
        for rod in body["rods"]:
            attempt = 0
            while ledger.is_used(rod["identifier"]) or attempt == 0:
                rod["identifier"] = rod_identifier("s", 1, 1 + known // 2, rod["side"], attempt)
                attempt += 1
        ledger.record(Kind.SET_STARTED, CASE, body, name, moment(number))
    ledger.record(Kind.SET_MADE, CASE, made(f"{name}-{number}"), name, moment(number))


def main(url, name, count):
    number = 0
    with open_ledger(url) as ledger:
        while not count or number < count:
            number += 1
            one_set(ledger, name, number)
            print(number, flush=True)
            time.sleep(0.01)  # SQLite hands the lock to whoever asks first, not to who waits


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
