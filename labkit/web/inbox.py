"""What clinics sent, kept until a technician confirms it or sets it aside; never an act."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from filelock import FileLock

from labkit.core.form.read import from_record
from labkit.core.jsonable import jsonable
from labkit.errors import InputError, RefusedError
from labkit.locks import only_one
from labkit.web.owner_only import put
from labkit.web.workplace import Workplace

#: Folder of what was sent within that of the sets, and within it of what was decided.
FOLDER, DECIDED = ".proposals", "decided"
#: So many can wait at once, and so many that were decided are listed.
MOST_WAITING, MOST_LISTED = 200, 20
#: What became of it.
CONFIRMED, SET_ASIDE = "confirmed", "set aside"
_DIGITS = frozenset("0123456789abcdef")
_LENGTH = 32


@dataclass(frozen=True)
class Sent:
    """One file that was sent.

    Args:
        name: Of what it holds, as hexadecimal digits: one file is kept once.
        cases: Numbers of the cases that it is about.
        about: What it is, for people.
        table: Whether it is a table of prescriptions, and not what a clinic's sheet saved.
        by, at: Who sent it, and when.
        decided: `CONFIRMED` or `SET_ASIDE`; "" while it waits.
        decided_by, decided_at: Who decided, and when.
    """

    name: str
    cases: tuple[str, ...]
    about: str
    table: bool
    by: str
    at: str
    decided: str = ""
    decided_by: str = ""
    decided_at: str = ""


def name_of(raw: bytes) -> str:
    """Name a file by what it holds."""
    return hashlib.sha256(raw).hexdigest()[:_LENGTH]


def keep(place: Workplace, sent: Sent, raw: bytes) -> None:
    """Keep a file that was sent; one that waits or was confirmed stays as it is.

    One that was set aside waits again.

    Raises:
        RefusedError: Too many wait already.
    """
    path = _path(place, sent.name)
    if path is not None and _read(path).decided != SET_ASIDE:
        return
    count = sum(1 for _ in waiting(place))
    if count >= MOST_WAITING:
        raise RefusedError(
            f"{count} proposals wait already; confirm them or set them aside first; nothing was "
            "kept"
        )
    folder = place.sets / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    put(_content(place, sent.name), raw)
    put(folder / f"{sent.name}.json", _as_json(sent))
    (folder / DECIDED / f"{sent.name}.json").unlink(missing_ok=True)


def find(place: Workplace, name: str) -> Sent:
    """Give what was sent.

    Raises:
        InputError: There is none of that name.
    """
    path = _path(place, name)
    if path is None:
        raise InputError("there is no such proposal; go on from the list of proposals")
    return _read(path)


def raw_of(place: Workplace, sent: Sent) -> bytes:
    """Give a file as it was sent."""
    return _content(place, sent.name).read_bytes()


def waiting(place: Workplace) -> Iterator[Sent]:
    """Give what waits, what was sent last first."""
    done = {path.name for path in (place.sets / FOLDER / DECIDED).glob("*.json")}
    return (_read(path) for path in _latest(place.sets / FOLDER) if path.name not in done)


def decided(place: Workplace) -> Iterator[Sent]:
    """Give what was decided last."""
    return map(_read, islice(_latest(place.sets / FOLDER / DECIDED), MOST_LISTED))


def deciding(place: Workplace, sent: Sent) -> AbstractContextManager[object]:
    """Let one person decide about a proposal at a time.

    Raises:
        RefusedError: Somebody else does.
    """
    return only_one(FileLock(place.sets / FOLDER / f"{sent.name}.lock"))


def decide(place: Workplace, sent: Sent, how: str, by: str) -> None:
    """Keep in mind what became of it."""
    at = place.now().isoformat(timespec="seconds")
    folder = place.sets / FOLDER
    (folder / DECIDED).mkdir(exist_ok=True)
    told = replace(sent, decided=how, decided_by=by, decided_at=at)
    put(folder / DECIDED / f"{sent.name}.json", _as_json(told))
    (folder / f"{sent.name}.json").unlink(missing_ok=True)


def refuse_decided(sent: Sent) -> None:
    """Refuse to decide twice.

    Raises:
        RefusedError: It was decided.
    """
    if sent.decided:
        raise RefusedError(
            f"this proposal was {sent.decided} by {sent.decided_by} on {sent.decided_at[:10]}; "
            "nothing was recorded"
        )


def _path(place: Workplace, name: str) -> Path | None:
    """Give where a proposal is described; None where there is none of that name."""
    if len(name) != _LENGTH or not set(name) <= _DIGITS:
        return None
    folder = place.sets / FOLDER
    paths = (folder / DECIDED / f"{name}.json", folder / f"{name}.json")
    return next((path for path in paths if path.is_file()), None)


def _content(place: Workplace, name: str) -> Path:
    return place.sets / FOLDER / f"{name}.sent"


def _latest(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime, reverse=True)


def _as_json(sent: Sent) -> bytes:
    return json.dumps(jsonable(sent), ensure_ascii=False).encode()


def _read(path: Path) -> Sent:
    return from_record(Sent, json.loads(path.read_text("utf-8")), "proposal")
