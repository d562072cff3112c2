"""What was worked out before, kept in the user's cache folder for the runs that come after.

A file is used only as it was written: its digest is held against its name and content at each use.
"""

from __future__ import annotations

import hashlib
import os
import platform
import tempfile
from collections.abc import Iterable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import labkit

#: Environment variable with the folder in which it is kept; empty for none.
VARIABLE = "LABKIT_CACHE"
_DIGITS = 64


def cache_folder(what: str, environment: Mapping[str, str] = os.environ) -> Path | None:
    """Find the folder: as LABKIT_CACHE says, else in the user's cache; None for none.

    Args:
        what: Name of the folder in the user's cache.
    """
    from platformdirs import user_cache_path

    if VARIABLE not in environment:
        return user_cache_path("labkit", appauthor=False) / what
    return Path(environment[VARIABLE]) if environment[VARIABLE] else None


def kept_file(what: str, suffix: str, program: str, *about: object) -> Path | None:
    """Name the file of one result; None where none is kept.

    Args:
        what: As for `cache_folder`.
        program: What `digest_of_program` gives.
        about: Everything else that the result follows from; their `str` tells them apart.
    """
    folder = cache_folder(what)
    if folder is None or not program:
        return None
    told = "\n".join(map(str, (program, *about)))
    return folder / (hashlib.sha256(told.encode()).hexdigest()[:32] + suffix)


def digest_of_program(sources: Iterable[str], libraries: Iterable[str]) -> str:
    """Give a digest of what a result follows from beside what it is about; empty without.

    Empty also where the program was changed since this process loaded it: its results would be
    kept as another program's.

    Args:
        sources: Patterns of the program's own files.
    """
    told = f"{labkit.__version__} {platform.machine()} {platform.python_version()}"
    digest, root = hashlib.sha256(told.encode()), Path(labkit.__file__).parent
    try:
        for library in libraries:
            digest.update(f"{library} {version(library)}\n".encode())
        for pattern in sources:
            for path in sorted(root.glob(pattern)):
                if path.stat().st_ctime > labkit.LOADED_AT:
                    return ""
                digest.update(path.read_bytes())
    except (OSError, PackageNotFoundError):
        return ""
    return digest.hexdigest()


def sealed(name: str, data: bytes) -> bytes:
    """Give content as it stands in a file: the SHA-256 of the file's name and of it, then it."""
    return hashlib.sha256(name.encode("ascii") + data).hexdigest().encode("ascii") + data


def read_kept(path: Path) -> bytes | None:
    """Read a file; None where there is none, or its digest is not that of its name and content."""
    try:
        told = path.read_bytes()
    except OSError:
        return None
    data = told[_DIGITS:]
    return data if path.stem.isascii() and told == sealed(path.stem, data) else None


def keep(path: Path, told: bytes, most: int) -> None:
    """Write a file beside its place and move it there, and drop the oldest of too many.

    Args:
        told: What `sealed` gives.
        most: As many files of its suffix stay.

    Raises:
        OSError: The folder takes no file.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    # What a killed run leaves bears the suffix, too, and goes with the oldest.
    handle, name = tempfile.mkstemp(prefix="unfinished-", suffix=path.suffix, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(told)
        Path(name).replace(path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise
    kept = sorted(path.parent.glob(f"*{path.suffix}"), key=lambda one: one.stat().st_mtime)
    for old in kept[:-most]:
        old.unlink(missing_ok=True)
