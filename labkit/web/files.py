"""The files of a set: those that its own list of sums names, and no others."""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

from labkit.errors import InputError
from labkit.exports.write.set_folder import SUMS_FILE, sums_of
from labkit.ledger.stored import SetState, StoredSet
from labkit.workflow.sets.on_disk import FILLED_IN

#: Ending → what a browser is told that it is.
TYPES = {
    ".pdf": "application/pdf", ".png": "image/png", ".json": "application/json",
    ".csv": "text/csv; charset=utf-8", ".step": "model/step", ".stl": "model/stl",
    ".3mf": "model/3mf", ".glb": "model/gltf-binary", ".dxf": "image/vnd.dxf",
}
#: Papers that a browser shows within a page.
SHOWN = (".pdf", ".png")


@dataclass(frozen=True)
class SetFiles:
    """The files of a set by their folders, and why there are none.

    Args:
        folders: Folder ("" for the set's own) → names, relative to the set.
        problem: Why its files cannot be given; "" where they can.
    """

    folders: dict[str, tuple[str, ...]]
    problem: str = ""

    @property
    def papers(self) -> tuple[str, ...]:
        """What can be read in the browser."""
        return tuple(name for name in self.folders.get("documents", ()) if name.endswith(".pdf"))

    @property
    def names(self) -> tuple[str, ...]:
        """Every name."""
        return tuple(name for names in self.folders.values() for name in names)


def files_of(stored: StoredSet) -> SetFiles:
    """List the files of a set where it lies."""
    if stored.state is not SetState.MADE:
        return SetFiles({}, "being made")
    try:
        names = sums_of(Path(stored.folder))
    except InputError:
        return SetFiles({}, f"its folder {stored.folder} is not there")
    folders: dict[str, list[str]] = {}
    for name in names:
        folders.setdefault(name.rpartition("/")[0], []).append(name)
    return SetFiles({folder: tuple(listed) for folder, listed in folders.items()})


def read_file(stored: StoredSet, name: str) -> bytes:
    """Read one file of a set.

    Args:
        name: As asked for; read only where the set's own list has the very same name.

    Raises:
        InputError: The set has no such file, it cannot be read, or it is not as it was made.
    """
    listed = next((each for each in files_of(stored).names if each == name), None)
    place = Path(stored.folder)
    if listed is None or not (file := place / listed).resolve().is_relative_to(place.resolve()):
        raise InputError(f"the set {stored.name} has no such file; take one from its list")
    try:
        content, sums = file.read_bytes(), sums_of(place)
    except OSError as error:
        raise InputError(
            f"{listed} of the set {stored.name} cannot be read ({error.strerror}); take the set "
            "from its backup or make it again"
        ) from error
    if hashlib.sha256(content).hexdigest() != sums.get(name) and not name.startswith(FILLED_IN):
        raise InputError(
            f"{listed} of the set {stored.name} is not as it was made; take the set from its "
            "backup or make it again"
        )
    return content


def zipped(stored: StoredSet) -> bytes:
    """Pack a set with its list of sums into one file.

    Raises:
        InputError: A file cannot be read.
    """
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in files_of(stored).names:
            archive.writestr(f"{stored.name}/{name}", read_file(stored, name))
        sums = (Path(stored.folder) / SUMS_FILE).read_bytes()
        archive.writestr(f"{stored.name}/{SUMS_FILE}", sums)
    return into.getvalue()
