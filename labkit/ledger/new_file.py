"""Gives a new file its name only when it is whole, and never over another one."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def beside(target: Path) -> Iterator[Path]:
    """Make an empty file beside a target; what is left of it is removed at the end.

    Yields:
        The file to write into, with the permissions that any new file gets here.

    Raises:
        OSError: The folder is missing or cannot be written.
    """
    fresh = target.parent / f".{target.name}.{secrets.token_hex(6)}.new"
    os.close(os.open(fresh, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
    try:
        yield fresh
    finally:
        for litter in (fresh, Path(f"{fresh}-wal"), Path(f"{fresh}-shm")):
            litter.unlink(missing_ok=True)


def put(fresh: Path, target: Path) -> None:
    """Push a file to the disk and give it its name.

    Args:
        fresh: A file from `beside`.

    Raises:
        FileExistsError: There is such a file already; it stands.
        OSError: The disk refuses.
    """
    handle = os.open(fresh, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    try:
        os.link(fresh, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without links: the best that is left
        if target.exists():
            raise FileExistsError(str(target)) from None
        fresh.rename(target)
