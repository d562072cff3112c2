"""Brings a ledger of an earlier revision up to date: backed up, derived anew, verified."""

from __future__ import annotations

from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

from labkit.errors import InputError
from labkit.ledger.database import BATCH, Database, batched
from labkit.ledger.events import Head
from labkit.ledger.opening import open_to_upgrade
from labkit.ledger.place import ledger_url
from labkit.ledger.revision import REVISION, derive_anew, require_known
from labkit.ledger.store import Ledger, look_into
from labkit.ledger.transfer import backup
from labkit.ledger.verify import require_sound


@dataclass(frozen=True)
class Upgraded:
    """What was done.

    Args:
        revision: The revision that the ledger had.
        backup: Where it lies as it was; None where it was up to date, and nothing was done.
    """

    place: str
    revision: str
    backup: Path | None
    head: Head


def upgrade(url: str | None, backup_to: Path | None = None) -> Upgraded:
    """Bring a ledger up to date: verify, back up, derive the tables anew, verify.

    All under one write lock: it is as it was, or done.

    Args:
        url: As for `open_ledger`.
        backup_to: A new file for the backup; None for one beside an SQLite ledger, named after
            its revision.

    Raises:
        InputError: There is no ledger, it is a newer program's, or the backup has no place.
        LedgerError: It does not verify, or cannot be written.
    """
    with ExitStack() as looking:
        # Whatever this process opens and closes of the file by itself lets go of every lock that it
        # holds on it (POSIX): so the way to look is found before there is any.
        as_it_was = looking.enter_context(look_into(url))
        database = looking.enter_context(closing(open_to_upgrade(ledger_url(url))))
        ledger = Ledger(database)
        with database.writing() as connection:
            revision = require_known(database)
            if revision == REVISION:
                return Upgraded(ledger.place, revision, None, ledger.head())
            require_sound(ledger)
            kept = backup_to or _beside(database, revision)
            backup(as_it_was, kept)  # a connection that writes cannot be copied from
            derive_anew(connection, batched(ledger.events(), BATCH))
            require_sound(ledger)
            return Upgraded(ledger.place, revision, kept, ledger.head())


def _beside(database: Database, revision: str) -> Path:
    """Find a free name beside a ledger, such as ledger-revision-0002.sqlite."""
    file = database.file
    if file is None:
        raise InputError(
            f"the ledger {database.place} is on a server; name a new file for the backup of its "
            "events with --backup",
            field="backup",
        )
    number, name = 1, f"{file.stem}-revision-{revision}"
    target = file.with_name(f"{name}{file.suffix}")
    while target.exists():
        number += 1
        target = file.with_name(f"{name}-{number}{file.suffix}")
    return target
