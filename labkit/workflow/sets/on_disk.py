"""What lies on disk where the ledger says that a set should."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import Timeout

from labkit.errors import InputError, RefusedError
from labkit.exports.write.set_folder import (
    SPEC_FILE,
    SUMS_FILE,
    is_paper,
    lock_of,
    rods_sha256,
    sha256_of,
    wrong_files,
)
from labkit.ledger.reconcile import Found, Lying
from labkit.ledger.stored import StoredSet
from labkit.locks import only_one

#: As many files are named in a sentence.
MOST_NAMED = 6
#: Filled in where it lies, as it is meant to be.
FILLED_IN = "documents/inspection-form"


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
        with only_one(lock, 0):
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
        sums = sha256_of(folder / SUMS_FILE)
        return Found(
            Lying.WHOLE, spec=spec, sums_sha256=sums, rods_sha256=rods_sha256(folder)
        )
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


@dataclass(frozen=True)
class FilesSeen:
    """What was seen of the files of a recorded set.

    Args:
        told: A sentence; empty where all is as it was made.
        changed: Whether a file that rods are built from is not as recorded.
    """

    told: str = ""
    changed: bool = False


def files_of(stored: StoredSet) -> FilesSeen:
    """Hold the folder of a set that was made against the record, where it is there."""
    folder, name = Path(stored.folder), stored.name
    if not folder.exists():
        return FilesSeen(f"{name} is no longer in {folder}; its files were not checked")
    try:
        wrong = [one for one in wrong_files(folder) if not one.startswith(FILLED_IN)]
        others = other_sums(folder, stored)
    except (OSError, InputError) as error:
        return FilesSeen(f"{name} in {folder} cannot be held against the record: {error}", True)
    built = [one for one in wrong if not is_paper(one)] or others
    if built or wrong:
        more = f"; and {len(wrong) - MOST_NAMED} more" if len(wrong) > MOST_NAMED else ""
        return FilesSeen(
            f"{name} in {folder} is not as recorded: {'; '.join((built or wrong)[:MOST_NAMED])}"
            f"{more}; take the files from their backup, or move the folder away and make the set "
            "again with the same command: the same rods are then written with the same identifiers",
            bool(built),
        )
    return FilesSeen()


def refuse_changed_files(sets: Iterable[StoredSet]) -> tuple[str, ...]:
    """Refuse to let a set leave whose files are not as recorded.

    Returns:
        Sentences on papers that were changed, and on folders that are not there.

    Raises:
        RefusedError: A file that rods are built from is not as it was made.
    """
    seen = [files_of(stored) for stored in sets]
    for one in seen:
        if one.changed:
            raise RefusedError(
                f"{one.told}; rods built since then may come from the changed files; measure those "
                "again; nothing is released",
                field="set",
            )
    return tuple(one.told for one in seen if one.told)


def other_sums(folder: Path, stored: StoredSet) -> list[str]:
    """Say that the sums of a folder are not those recorded: files and sums were changed together.

    Returns:
        At most one sentence.

    Raises:
        OSError, InputError: As `rods_sha256`.
    """
    same = stored.rods_sha256 in (None, rods_sha256(folder))
    return [] if same else [f"{SUMS_FILE} is whole, but not the one recorded"]


def require_as_recorded(folder: Path, stored: StoredSet) -> None:
    """Refuse a folder whose rods' files are not those that the record knows.

    Raises:
        RefusedError: They are not.
        OSError, InputError: As `rods_sha256`.
    """
    for one in other_sums(folder, stored):
        raise RefusedError(
            f"{stored.name} in {folder} is not as recorded: {one}; nothing was written; take the "
            "files from their backup, or move the folder away and make the set again",
            field="set", value=stored.name,
        )
