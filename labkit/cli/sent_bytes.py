"""The bytes of a table or another file that a command is given, or of standard input."""

from __future__ import annotations

import sys
from pathlib import Path

from labkit.errors import InputError


def bytes_of_table(path: Path) -> bytes:
    """Read a table's bytes; the reader of tables refuses what is too large."""
    from labkit.tables.text import MOST_BYTES

    return bytes_of(str(path), MOST_BYTES, "name a readable CSV file")


def bytes_of(file: str, most: int, do: str) -> bytes:
    """Read a file, or standard input where that is named `-`.

    Args:
        most: Bytes that are taken; one more is given where there are more.
        do: What to do where it cannot be read.

    Raises:
        InputError: It cannot be read.
    """
    if file == "-":
        require_input()
        return sys.stdin.buffer.read(most + 1)
    try:
        with Path(file).open("rb") as stream:
            return stream.read(most + 1)
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror or error}); {do}", where=file
        ) from error


def require_input() -> None:
    """Refuse to ask or to read where a job runs without any standard input."""
    if sys.stdin is None:
        raise InputError("there is no standard input to read from; name the file", field="file")


def named(file: str) -> str:
    """Name what is read, for sentences."""
    return "standard input" if file == "-" else file
