"""Writing a file's bytes, with one sentence for all that can go wrong."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from labkit.errors import DeliveryError


def put(path: Path, data: bytes) -> None:
    """Write a file's bytes, telling a missing folder or a full disk in one sentence.

    Args:
        path: File to write.
        data: All of it.

    Raises:
        DeliveryError: The file cannot be written.
    """
    try:
        path.write_bytes(data)
    except OSError as error:
        raise DeliveryError(
            f"{path} cannot be written: {error.strerror or error}; make its folder and give it "
            "room and rights",
            field="out", value=str(path),
        ) from error


def put_new(path: Path, data: bytes) -> None:
    """Write a new file that is whole or absent, and never over another.

    Args:
        path: File to make; its folder must be there.
        data: All of it.

    Raises:
        DeliveryError: There is such a file, or it cannot be written.
    """
    refuse_existing(path)
    try:
        handle, staging = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
            os.chmod(staging, 0o644)
            os.link(staging, path)  # unlike a rename this fails where a file has come meanwhile
        finally:
            os.unlink(staging)
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError as error:
        raise DeliveryError(
            f"{path} cannot be written: {error.strerror or error}; make its folder and give it "
            "room and rights",
            field="out", value=str(path),
        ) from error


def refuse_existing(path: Path) -> None:
    """Refuse a place that is taken, before any work is done for it.

    Raises:
        DeliveryError: There is something at that path.
    """
    if path.exists() or path.is_symlink():
        raise DeliveryError(
            f"{path} is there already; a file never goes over another: name a new one",
            field="out", value=str(path),
        )
