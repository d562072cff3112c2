"""What the workplace works on: the ledger, the folder of sets, the lab's own files, the clock."""

from __future__ import annotations

import datetime
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from labkit.catalog.lettering import load_lettering
from labkit.catalog.places import files_in
from labkit.catalog.processes import UNCOMPENSATED, processes
from labkit.catalog.profiles import Profile, read_profile
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import parse_toml, read_text
from labkit.ledger.place import file_of, ledger_url
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger, look_into, open_ledger
from labkit.web.accounts import Accounts
from labkit.workflow.rods.extra import Installed

#: What a server answered while somebody types is kept so long, seconds.
SERVER_HOLDS_S = 5.0


@dataclass(frozen=True)
class OwnFiles:
    """The lab's own files, by path, as the commands take them.

    Args:
        process: Name of the process that sets are made with; None for that of the profile.
    """

    templates: tuple[str, ...] = ()
    processes: tuple[str, ...] = ()
    instruments: tuple[str, ...] = ()
    profile: str | None = None
    process: str | None = None

    def profile_named(self) -> Profile | None:
        """Read the profile; None where none is named.

        Raises:
            InputError: It cannot be read.
        """
        if not self.profile:
            return None
        return read_profile(parse_toml(read_text(Path(self.profile)), self.profile))

    def process_name(self) -> str:
        """Name the process that sets are made with.

        Raises:
            InputError: The profile cannot be read.
        """
        profile = self.profile_named()
        return self.process or (profile and profile.process) or UNCOMPENSATED

    def installed(self) -> Installed:
        """Read what rods in between are held against; again only where a file has changed.

        Raises:
            InputError: A file cannot be read.
        """
        places = (*self.templates, *self.processes, *filter(None, (self.profile,)))
        return _installed(self, stamps_of(places))


#: Of which state files are: path, when changed, how large.
Stamps = tuple[tuple[str, int, int], ...]


def stamps_of(places: Iterable[str]) -> Stamps:
    """Say of which state the lab's own files are, so that what was read of them can be kept.

    Raises:
        InputError: There is no such file, or none in such a folder.
    """
    return tuple(
        (str(path), stat.st_mtime_ns, stat.st_size)
        for place in places for path in files_in(place) for stat in (path.stat(),)
    )


@lru_cache(maxsize=4)
def _installed(own: OwnFiles, stamps: Stamps) -> Installed:
    del stamps  # what is kept holds for these alone
    return Installed(
        rod_templates(own.templates), processes(own.processes), load_lettering(),
        own.profile_named(),
    )


@dataclass(frozen=True)
class Workplace:
    """All that the pages work on.

    Args:
        ledger: Path or URL; None for the lab's own.
        sets: Folder that holds the sets.
        now: Reads the clock, with a time zone.
        accounts: Who may sign in; None on a machine for itself, where a code is enough.
    """

    ledger: str | None
    sets: Path
    now: Callable[[], datetime.datetime]
    own: OwnFiles = OwnFiles()
    accounts: Accounts | None = None

    def look(self) -> AbstractContextManager[Reader]:
        """Open the record to look at it.

        Raises:
            InputError, LedgerError: As `look_into`.
        """
        return look_into(self.ledger)

    def record_state(self) -> tuple[float, ...]:
        """Say in which state the record is, so that what it answered can be kept for a moment.

        A file is changed by whatever is recorded; a server's state is taken to hold for seconds.
        """
        file = file_of(ledger_url(self.ledger))
        if file is None:
            return (time.monotonic() // SERVER_HOLDS_S,)
        found = []
        for path in (str(file), f"{file}-wal"):
            with suppress(OSError):  # the write-ahead log is gone where nobody has it open
                stat = os.stat(path)
                found += [stat.st_mtime_ns, stat.st_size]
        return tuple(found)

    @contextmanager
    def act(self) -> Iterator[Ledger]:
        """Open the record to write into it.

        Raises:
            InputError, LedgerError: As `open_ledger`.
        """
        with open_ledger(self.ledger) as ledger:
            yield ledger
