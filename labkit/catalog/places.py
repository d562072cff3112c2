"""Where the data of the program lies: beside the sources, or inside the installed package."""

from __future__ import annotations

from pathlib import Path

import labkit
from labkit.errors import InputError


def templates_dir() -> Path:
    """Find the folder of templates that came with the program.

    Returns:
        The installed copy, or in a working copy of the sources the top-level folder.

    Raises:
        InputError: Neither is there (a broken installation).
    """
    package = Path(labkit.__file__).resolve().parent
    for candidate in (package / "_templates", package.parent / "templates"):
        if (candidate / "rods").is_dir():
            return candidate
    raise InputError(
        f"the program's own templates are missing beside {package}; install labkit again",
        field="templates",
    )
