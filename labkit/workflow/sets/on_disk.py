"""What lies on disk where the ledger says that a set should."""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

from filelock import Timeout

from labkit.errors import InputError
from labkit.exports.write.set_folder import (
    SPEC_FILE,
    SUMS_FILE,
    held,
    lock_of,
    sha256_of,
    wrong_files,
)
from labkit.ledger.reconcile import Found, Lying
from labkit.ledger.stored import StoredSet


def look_at(stored: StoredSet) -> Found:
    """Look at the folder of a recorded set: are its sums true, is it this set?

    Returns:
        What lies there; busy while another run holds the case's lock (a run that holds it
        itself may look).
    """
    folder = Path(stored.folder)
    lock = lock_of(folder.parent, stored.case)
    if not Path(lock.lock_file).exists():
        return _look(folder, stored)
    try:
        with lock.acquire(timeout=0):
            return _look(folder, stored)
    except Timeout:
        return Found(Lying.BUSY)
    except OSError as error:
        return Found(Lying.DAMAGED, f"it cannot be read: {error.strerror}")


def _look(folder: Path, stored: StoredSet) -> Found:
    if not folder.is_dir():
        if folder.exists():
            return Found(Lying.DAMAGED, "something else than a folder lies there")
        return Found(Lying.ABSENT, "the folder is not there")
    try:
        wrong = next(iter(wrong_files(folder)), "")
        spec = json.loads((folder / SPEC_FILE).read_text("utf-8"))
        wrong = wrong or _wrong_set(spec, stored)
        if wrong:
            return Found(Lying.DAMAGED, wrong)
        return Found(Lying.WHOLE, spec=spec, sums_sha256=sha256_of(folder / SUMS_FILE))
    except OSError as error:
        return Found(Lying.DAMAGED, f"{Path(error.filename).name} is missing or cannot be read")
    except (ValueError, InputError):
        return Found(Lying.DAMAGED, f"{SPEC_FILE} or {SUMS_FILE} is not readable")


def _wrong_set(spec: Any, stored: StoredSet) -> str:
    if not isinstance(spec, dict) or spec.get("case") != stored.case:
        return "it is the set of another case"
    if spec.get("inputs_sha256") != stored.inputs_sha256:
        return "it was made from something else than recorded"
    return ""


def take_lock_away(out: Path, case: str) -> None:
    """Take the lock of a case out of a folder that nobody else makes sets in, such as a demo's."""
    lock = Path(lock_of(out, case).lock_file)
    if lock.exists():
        with held(out, case), suppress(OSError):  # Windows keeps a file that is open
            lock.unlink()


def unrecorded(folder: Path, recorded: Iterable[StoredSet]) -> tuple[Path, ...]:
    """List the set folders that lie in a folder and are not in the ledger.

    Args:
        recorded: Every set in the ledger.

    Returns:
        Paths by name; what an abandoned set left behind counts as recorded, since
        `reconcile` tells of it. The hidden folder of a set in the making is no set: the next
        run for its case removes it.
    """
    known = {Path(stored.folder).resolve() for stored in recorded}
    return tuple(
        path
        for path in sorted(folder.iterdir())
        if not path.name.startswith(".")
        and (path / SPEC_FILE).is_file()
        and path.resolve() not in known
    )
