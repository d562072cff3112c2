"""Writing a file's bytes, with one sentence for all that can go wrong."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock

from labkit.done import tell_done
from labkit.errors import DeliveryError
from labkit.locks import only_one


def put(path: Path, data: bytes) -> None:
    """Write a file's bytes, telling a missing folder or a full disk in one sentence.

    Raises:
        DeliveryError: The file cannot be written.
    """
    with _told(path):
        path.write_bytes(data)


def put_new(path: Path, data: bytes) -> None:
    """Write a new file that is whole or absent, never over another; its folder is begun if absent.

    Raises:
        DeliveryError: There is such a file, or it cannot be written.
    """
    refuse_existing(path)
    with _told(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        staging, lock = _beside(path)
        with only_one(lock):
            staging.unlink(missing_ok=True)  # of a killed run
            try:
                with staging.open("xb") as stream:
                    stream.write(data)
                    stream.flush()
                    os.fsync(stream.fileno())
                _name(staging, path)
                tell_done(f"{path} was written")
            finally:
                staging.unlink(missing_ok=True)


@contextmanager
def new_folder(path: Path) -> Iterator[Path]:
    """Open a folder beside a path that becomes it when the block ends well.

    It is whole or absent, never over another. Runs for one path wait for each other; what a killed
    run left beside it is removed by the next.

    Raises:
        DeliveryError: There is something at that path, or it cannot be written.
    """
    refuse_existing(path)
    with _told(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        staging, lock = _beside(path)
        with only_one(lock):
            shutil.rmtree(staging, ignore_errors=True)
            try:
                staging.mkdir()
                yield staging
                refuse_existing(path)
                staging.rename(path)
                tell_done(f"{path} lies whole in its place")
            finally:
                shutil.rmtree(staging, ignore_errors=True)


def _beside(path: Path) -> tuple[Path, FileLock]:
    return (
        path.with_name(f".{path.name}.unfinished"),
        FileLock(path.with_name(f".{path.name}.lock")),
    )


def sweep(path: Path) -> None:
    """Remove what a run left beside a file that was killed after it had given it its name."""
    staging, lock = _beside(path)
    with suppress(OSError):
        if Path(lock.lock_file).exists():
            with only_one(lock, 0):
                staging.unlink(missing_ok=True)


def _name(staging: Path, path: Path) -> None:
    """Give a file its name; unlike a rename a link fails where a file has come meanwhile."""
    try:
        os.link(staging, path)
    except OSError:  # such a file has come, or a file system without links: the best that is left
        refuse_existing(path)
        staging.rename(path)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _not_written(path, error) from error
    except DeliveryError as error:  # of a file in a folder that was to become this one
        cause = error.__cause__
        if not isinstance(cause, OSError):
            raise
        raise _not_written(path, cause) from cause


def _not_written(path: Path, error: OSError) -> DeliveryError:
    return DeliveryError(
        f"{path} cannot be written: {error.strerror or error}; make its folder and give it room "
        "and rights",
        field="out", value=str(path),
    )


def refuse_existing(path: Path) -> None:
    """Refuse a place that is taken, before any work is done for it.

    Raises:
        DeliveryError: There is something at that path.
    """
    if path.exists() or path.is_symlink():
        sweep(path)
        raise DeliveryError(
            f"{path} is there already; an existing file is never overwritten; name a new one",
            field="out", value=str(path),
        )
