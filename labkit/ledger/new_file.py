"""Gives a new file its name only when it is whole, and never over another one."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from labkit.locks import only_one

if TYPE_CHECKING:
    from filelock import FileLock


@contextmanager
def beside(target: Path) -> Iterator[Path]:
    """Make an empty file beside a target; what is left of it is removed at the end.

    Runs for one target wait for each other, so that what else lies beside it was left by a killed
    one, and is swept.

    Yields:
        The file to write into, with the permissions that any new file gets here.

    Raises:
        OSError: The folder is missing or cannot be written, or another run takes too long.
    """
    fresh = target.parent / f".{target.name}.{secrets.token_hex(6)}.new"
    with only_one(_lock_of(target)):
        _sweep(target)
        os.close(os.open(fresh, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
        try:
            yield fresh
        finally:
            _sweep(target)


def sweep(target: Path) -> None:
    """Remove what killed runs left beside a target, unless another run is at work there."""
    if _lock_file(target).exists() or any(_litter(target)):
        with suppress(OSError), only_one(_lock_of(target), 0):  # a Timeout is an OSError
            _sweep(target)


def _lock_file(target: Path) -> Path:
    return target.parent / f".{target.name}.new.lock"


def _lock_of(target: Path) -> FileLock:
    from filelock import FileLock  # looking at a ledger does without

    return FileLock(_lock_file(target))


def _litter(target: Path) -> Iterator[Path]:
    """List the files in the making of a target, never its own side files."""
    name = re.compile(rf"\.{re.escape(target.name)}\.[0-9a-f]{{12}}\.new(-wal|-shm|-journal)?")
    return (path for path in target.parent.iterdir() if name.fullmatch(path.name))


def _sweep(target: Path) -> None:
    for path in list(_litter(target)):
        path.unlink(missing_ok=True)


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
