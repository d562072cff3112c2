"""One run at a time at a place."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from filelock import BaseFileLock

#: Another run may take this long before we give up waiting.
WAIT_SECONDS = 600.0


@contextmanager
def only_one(lock: BaseFileLock, timeout: float = WAIT_SECONDS) -> Iterator[None]:
    """Hold a lock over the block, and take its file away at the end.

    Whoever waits for it notices that the file is gone and makes a new one. A run that holds it
    may take it again. A killed run leaves the file, and the next one takes it away.

    Raises:
        OSError: The folder takes no file.
        Timeout: Another run holds it for too long.
    """
    try_writing(Path(lock.lock_file).parent)
    lock.acquire(timeout=timeout)
    try:
        yield
    finally:
        if lock.lock_counter == 1:
            with suppress(OSError):  # Windows keeps a file that is open
                Path(lock.lock_file).unlink()
        lock.release()


def try_writing(folder: Path) -> None:
    """Write a file without a name: a lock tries for minutes where a folder takes no file at all.

    Raises:
        OSError: The folder takes none.
    """
    with tempfile.TemporaryFile(dir=folder):
        pass
