"""Solids to be looked at: `python -m labkit.web.jobs.solids FOLDER DIGEST`, kept until others are.

The CAD kernel is loaded in that process alone, one at a time.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from labkit.catalog.processes import find_process, processes
from labkit.catalog.toml_source import parse_toml
from labkit.core.form.read import from_record
from labkit.core.jsonable import jsonable
from labkit.errors import InputError, LabkitError, RefusedError
from labkit.web.owner_only import put
from labkit.web.workplace import OwnFiles, Workplace
from labkit.workflow.intake.typed import FORM
from labkit.workflow.sets.cases import Case, open_case
from labkit.workflow.sets.solids import solids_digest, solids_glb

#: Folder of the solids within that of the sets.
FOLDER = ".solids"
#: Solids that are kept, and that may wait to be built.
MOST_KEPT, MOST_WAITING = 40, 4
#: A process waits so long for others, seconds.
LONGEST_WAIT = 120.0
_DIGITS = frozenset("0123456789abcdef")
_BEGUN: dict[str, subprocess.Popen[bytes]] = {}


@dataclass(frozen=True)
class Solids:
    """The solids of one set of rods.

    Args:
        problem: Why there are none.
    """

    digest: str
    glb: Path
    made: bool
    problem: str = ""


def look_for(place: Workplace, digest: str) -> Solids:
    """Give solids as far as they are.

    Raises:
        InputError: It is no digest, or nobody asked for them.
    """
    if len(digest) != 64 or not set(digest) <= _DIGITS:
        raise InputError("there are no such solids; ask for them on the page of the prescription")
    folder = place.sets / FOLDER
    glb, wrong = folder / f"{digest}.glb", folder / f"{digest}.wrong"
    if glb.is_file():
        return Solids(digest, glb, made=True)
    if wrong.is_file():
        return Solids(digest, glb, made=False, problem=wrong.read_text("utf-8"))
    process = _BEGUN.get(digest)
    if process is None or process.poll() is not None:
        return Solids(digest, glb, made=glb.is_file(), problem="" if glb.is_file() else (
            "the process that built them was stopped; ask for them again"
        ))
    return Solids(digest, glb, made=False)


def kept(place: Workplace, case: Case) -> Solids | None:
    """Give the solids of a case that were built before; None where they were not."""
    digest = solids_digest(case)
    made = (place.sets / FOLDER / f"{digest}.glb").is_file()
    return look_for(place, digest) if made else None


def ask_for(place: Workplace, case: Case) -> Solids:
    """Give the solids of a case that is not refused; build them in the background where need be.

    Raises:
        RefusedError: Too many others wait.
    """
    digest, folder = solids_digest(case), place.sets / FOLDER
    process = _BEGUN.get(digest)
    if (folder / f"{digest}.glb").is_file() or (process and process.poll() is None):
        return look_for(place, digest)
    if _running() >= MOST_WAITING:
        raise RefusedError("the solids of others are being built; ask again in a minute")
    folder.mkdir(parents=True, exist_ok=True)
    _forget(folder)
    (folder / f"{digest}.wrong").unlink(missing_ok=True)
    order = {"text": case.source.text, "own": jsonable(place.own)}
    put(folder / f"{digest}.json", json.dumps(order).encode())
    process = subprocess.Popen(
        [sys.executable, "-m", "labkit.web.jobs.solids", str(folder.resolve()), digest],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    _BEGUN[digest] = process
    threading.Thread(target=process.wait, daemon=True).start()  # so that its end is taken note of
    return look_for(place, digest)


def _running() -> int:
    """Forget the processes that have ended, and count the others."""
    for digest, process in list(_BEGUN.items()):
        if process.poll() is not None:
            _BEGUN.pop(digest, None)
    return len(_BEGUN)


def main(folder: Path, digest: str) -> None:
    """Build what an order asks for, or write down why it cannot be."""
    order = json.loads((folder / f"{digest}.json").read_text("utf-8"))
    try:
        with FileLock(folder / ".lock").acquire(timeout=LONGEST_WAIT):
            content, ending = _build(order), "glb"
    except Timeout:
        content, ending = b"others were built first; ask again", "wrong"
    except LabkitError as error:
        content, ending = error.message.encode(), "wrong"
    put(folder / f"{digest}.{ending}", content)
    (folder / f"{digest}.json").unlink(missing_ok=True)


def _build(order: dict[str, Any]) -> bytes:
    own = from_record(OwnFiles, order["own"], "order of solids")
    installed = own.installed()
    case = open_case(parse_toml(order["text"], FORM), dict(installed.templates))
    process = find_process(processes(own.processes), own.process_name())
    return solids_glb(case, process, installed.lettering)


def _forget(folder: Path) -> None:
    """Keep the last ones that were built."""
    files = [path for path in folder.iterdir() if not path.name.startswith(".")]  # not the lock
    files.sort(key=lambda path: path.stat().st_mtime, reverse=True)
    for path in files[MOST_KEPT:]:
        path.unlink(missing_ok=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
