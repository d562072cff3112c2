"""Builds that runs left unrecorded: what is put in place, swept, recorded after all, or told.

A folder that its own list of sums says is whole is never removed: the record may have been restored
from before it.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from labkit.errors import DeliveryError, InputError, RefusedError
from labkit.exports.write.set_folder import SUMS_FILE, sha256_of, sums_of
from labkit.ledger.builds import builds_of, last_build
from labkit.ledger.identity import identity_of
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.units import as_written
from labkit.workflow.builds.files import BUILD_FILE
from labkit.workflow.builds.wanted import named_in_sentence
from labkit.workflow.record.recorder import Recorder

_NAME = re.compile(r"\.?build-(\d+)(\.unfinished)?")


def number_of(path: Path) -> int:
    """Give the number of a build by the name of its folder; 0 of anything else."""
    match = _NAME.fullmatch(path.name)
    return int(match[1]) if match else 0


def staging_of(out: Path, number: int) -> Path:
    """Name the folder that a build is written in, beside its place."""
    return out / f".build-{number}.unfinished"


def _stagings(out: Path) -> list[Path]:
    return sorted(out.glob(".build-*.unfinished"), key=number_of)


def _folders(out: Path) -> list[Path]:
    """Give the folders of builds, those beside their places first."""
    placed = (path for path in out.glob("build-*") if number_of(path))
    return [*_stagings(out), *sorted(placed, key=number_of)]


def settle(out: Path, recorder: Recorder) -> tuple[Path, ...]:
    """Put builds in their places that were recorded and not renamed; sweep what is not whole.

    Returns:
        The folders put in their places.

    Raises:
        DeliveryError: A folder cannot be put in its place.
    """
    moved = []
    for staging in _stagings(out):
        final = out / f"build-{number_of(staging)}"
        if not is_recorded(staging, recorder.ledger):
            if not _is_sealed(staging) or (
                asked_of(staging).get("record") == identity_of(recorder.ledger)
                and not _is_whole(staging)
            ):
                shutil.rmtree(staging, ignore_errors=True)
        elif final.exists():
            recorder.say(
                f"{staging} holds a recorded build, and {final} is there already; it stays: keep "
                f"the one whose {SUMS_FILE} is as recorded, and remove the other"
            )
        else:
            put_in_place(staging, final)
            recorder.say(f"{final} was recorded by a run that was ended; it is in its place now")
            moved.append(final)
    return tuple(moved)


def finished_before(
    out: Path, last: int, content_of: Callable[[tuple[int, str]], Mapping[str, Any]]
) -> Path | None:
    """Find a build that was finished and not recorded, and that would be written the same now.

    Args:
        last: Number of the last recorded build; an earlier number cannot be recorded any more.
        content_of: Gives what build.json would hold, for a number and a day.

    Returns:
        Its folder, beside its place or in it.
    """
    for folder in _folders(out):
        number = number_of(folder)
        if number <= last or (folder != (final := out / f"build-{number}") and final.exists()):
            continue
        content = _content(folder)
        expected = _as_read(content_of((number, str(content.get("date")))))
        if content == expected and _is_whole(folder):
            return folder
    return None


def refuse_lost(out: Path, reader: Reader, rods: Sequence[StoredRod]) -> None:
    """Refuse rods that lie in a finished build of this record, which does not know it.

    Raises:
        RefusedError: They may be built already.
    """
    last, own = last_build(reader), identity_of(reader)
    told = []
    for folder in _folders(out):
        content = _content(folder)
        lying = _identifiers(content)
        held = [rod for rod in rods if rod.identifier in lying]
        if held and _asked(content).get("record") == own and not is_recorded(folder, reader):
            them, they = ("them", "they") if held[1:] else ("it", "it")
            told.append(
                f"{named_in_sentence(held)} not built: {folder}, a finished build of this record "
                f"that is not in it, holds {them}, so {they} may be built already; "
                f"{_TAKE_UP if number_of(folder) > last else _PASSED}; if it was never built, "
                "remove that folder; to build a rod twice, name it with --again; nothing was "
                "written"
            )
    if told:
        raise RefusedError("\n".join(told), field="out", value=str(out))


_TAKE_UP = "to take that build up, give the command that made it"
_PASSED = (
    "a later build is recorded, so that one cannot be taken up: if it was built, measure its rods "
    "as they are"
)


def tell_unknown(out: Path, recorder: Recorder, finished: Path | None) -> None:
    """Tell of whole builds that the record does not know, and that stay.

    Args:
        finished: The one that is recorded now.
    """
    for folder in _unknown(out, recorder.ledger):
        if folder == finished:
            continue
        if asked_of(folder).get("record") != identity_of(recorder.ledger):
            recorder.say(
                f"{folder} holds a finished build that this record does not know; it stays: give "
                "its command again with its own --ledger, or remove it if no record knows it"
            )
        else:
            recorder.say(
                f"{folder} holds a finished build of this record, which does not know it: a run "
                "was ended before it was recorded, or the record was restored from before it; it "
                "stays: its rods may be built already, so look before you build them again"
            )


def _unknown(out: Path, reader: Reader) -> Iterator[Path]:
    """Give whole builds that are not recorded; of those in their places, those lost since."""
    last, own = last_build(reader), identity_of(reader)
    for folder in _folders(out):
        beside = folder.name.startswith(".")
        lost = beside or (number_of(folder) > last and asked_of(folder).get("record") == own)
        if lost and _is_sealed(folder) and not is_recorded(folder, reader):
            yield folder


def put_in_place(staging: Path, final: Path) -> None:
    """Move a recorded build to its place.

    Raises:
        DeliveryError: It cannot be moved.
    """
    try:
        staging.rename(final)
    except OSError as error:
        raise DeliveryError(
            f"build {number_of(final)} is recorded, but its folder cannot be put in its place "
            f"{final}: {error.strerror or error}; it lies whole in {staging}; give the same "
            "command again, which puts it there", field="out", value=str(final),
        ) from error


def _is_sealed(folder: Path) -> bool:
    try:
        found = {path.name for path in folder.iterdir()}
    except (FileNotFoundError, NotADirectoryError):
        return False
    return {BUILD_FILE, SUMS_FILE} <= found


def _is_whole(folder: Path) -> bool:
    """Tell whether the files of a build are as its list of sums says.

    What a slicer or a desktop saved beside them takes nothing from it.

    Raises:
        OSError: A file cannot be read, which leaves that open.
    """
    try:
        return _is_sealed(folder) and all(
            sha256_of(folder / name) == digest for name, digest in sums_of(folder).items()
        )
    except (InputError, FileNotFoundError):
        return False


def is_recorded(folder: Path, reader: Reader) -> bool:
    """Tell whether a build is recorded; a file that cannot be read now leaves that open.

    Raises:
        OSError: A file cannot be read.
    """
    if not _is_sealed(folder):
        return False
    sums = sha256_of(folder / SUMS_FILE)
    try:
        builds = [build for case in _content(folder)["cases"] for build in builds_of(reader, case)]
    except (LookupError, TypeError):
        return False
    return any(build.told.sums_sha256 == sums for build in builds)


def asked_of(folder: Path) -> Mapping[str, Any]:
    """Read what a build was asked for, and by which record; nothing of one before that was kept.

    Raises:
        OSError: Its file cannot be read.
    """
    return _asked(_content(folder))


def _asked(content: Mapping[str, Any]) -> Mapping[str, Any]:
    asked = content.get("asked")
    return asked if isinstance(asked, dict) else {}


def _identifiers(content: Mapping[str, Any]) -> frozenset[str]:
    """Give the rods that lie in a build; none of a file that is not as it should be."""
    try:
        return frozenset(
            str(piece["identifier"]) for bed in content["beds"] for piece in bed["pieces"]
        )
    except (LookupError, TypeError):
        return frozenset()


def _as_read(content: Mapping[str, Any]) -> Any:
    return json.loads(json.dumps(as_written(content)))


def _content(folder: Path) -> dict[str, Any]:
    """Read build.json; nothing where there is none that can be read as JSON."""
    try:
        content = json.loads((folder / BUILD_FILE).read_text("utf-8"))
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}
