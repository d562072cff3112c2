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


def files_in(place: Path | str, what: str = "templates") -> list[Path]:
    """List the TOML files that a place stands for.

    Args:
        place: A file, or a folder whose .toml files are meant: in capitals or not, hidden ones left
            out.
        what: What the files hold, in the plural.

    Returns:
        The file itself, or the folder's files by name.

    Raises:
        InputError: There is no such place, or the folder has no .toml file.
    """
    path = Path(place)
    if path.is_dir():
        found = sorted(
            one for one in path.iterdir()
            if one.suffix.lower() == ".toml" and not one.name.startswith(".")
        )
        if found:
            return found
        raise InputError(
            f"holds no .toml file; name a folder or a file of {what}", where=str(path)
        )
    if path.is_file():
        return [path]
    raise InputError(f"is not there; name an existing file or folder of {what}", where=str(path))
