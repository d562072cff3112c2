"""Reads a set's spacer-set.json and checks everything that the papers take from it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from labkit.documents.set_spec import SetSpec
from labkit.errors import InputError

#: A set of 28 rods has a tenth of this; a logo and a lab's own templates are in it.
MOST_BYTES = 20_000_000


def read_spec(path: Path) -> dict[str, Any]:
    """Read the content of spacer-set.json.

    Returns:
        Its content; names of files in it stay in the set, numbers are numbers.

    Raises:
        InputError: It cannot be read, or is not what `labkit make` of this version writes.
    """
    try:
        with path.open("rb") as stream:
            # What is cut off here is no JSON any more.
            content = json.loads(stream.read(MOST_BYTES).decode("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"is not a finished set ({path.name} cannot be read: {error}); name the folder of a "
            "set",
            where=str(path.parent),
        ) from error
    try:
        check_spec(content)
    except InputError as error:
        raise InputError(error.message, field=error.field, where=str(path)) from error
    return dict(content)


def check_spec(content: object) -> None:
    """Check the content of spacer-set.json for everything that the papers rely on.

    Raises:
        InputError: Something in it is not what `labkit make` of this version writes.
    """
    SetSpec.read(content)
