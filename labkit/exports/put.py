"""Writing a file's bytes, with one sentence for all that can go wrong."""

from __future__ import annotations

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
