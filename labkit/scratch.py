"""Folders for files in between, gone at the end; what killed runs left of them is swept."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = "labkit-scratch-"
_LOCK = ".lock"


@contextmanager
def scratch() -> Iterator[Path]:
    """Give a folder for files in between, locked by a file beside it while it is in use.

    Raises:
        OSError: The folder for temporary files takes none.
    """
    folder = Path(tempfile.gettempdir()) / f"{_PREFIX}{os.urandom(8).hex()}"
    with _held(folder, -1):
        folder.mkdir(0o700)
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)


def sweep() -> None:
    """Remove the folders of killed runs; those that a run at work holds stay."""
    with suppress(OSError), os.scandir(tempfile.gettempdir()) as place:
        found = {entry.path.removesuffix(_LOCK) for entry in place
                 if entry.name.startswith(_PREFIX)}
        for folder in map(Path, found):
            with suppress(OSError), _held(folder, 0):  # a Timeout is an OSError
                shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _held(folder: Path, timeout: float) -> Iterator[None]:
    from filelock import FileLock  # not at the start of every command

    from labkit.locks import only_one

    with only_one(FileLock(f"{folder}{_LOCK}"), timeout):
        yield
