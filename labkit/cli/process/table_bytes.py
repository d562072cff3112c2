"""The bytes of a table that a command is given."""

from __future__ import annotations

from pathlib import Path

from labkit.errors import InputError


def bytes_of_table(path: Path) -> bytes:
    """Read a table's bytes; the reader of tables refuses what is too large.

    Returns:
        Its bytes, at most one more than a table may have.

    Raises:
        InputError: It cannot be read.
    """
    from labkit.tables.text import MOST_BYTES

    try:
        with path.open("rb") as stream:
            return stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror or error}); name a readable CSV file",
            where=str(path),
        ) from error
