"""What clinics sent, kept until a technician confirms it or sets it aside; never an act."""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from labkit.errors import InputError, RefusedError
from labkit.web.workplace import Workplace

#: Folder of what was sent within that of the sets.
FOLDER = ".proposals"
#: So many can wait at once, and so many that were decided are listed.
MOST_WAITING, MOST_LISTED = 200, 20
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
        content: It, in base 64.
        decided: "confirmed" or "set aside"; "" while it waits.
        decided_by, decided_at: Who decided, and when.
    """

    name: str
    cases: tuple[str, ...]
    about: str
    table: bool
    by: str
    at: str
    content: str
    decided: str = ""
    decided_by: str = ""
    decided_at: str = ""

    @property
    def raw(self) -> bytes:
        """What was sent."""
        return base64.b64decode(self.content)


def name_of(raw: bytes) -> str:
    """Name a file by what it holds."""
    return hashlib.sha256(raw).hexdigest()[:_LENGTH]


def keep(place: Workplace, sent: Sent) -> None:
    """Keep a file that was sent, or what was decided about it.

    Raises:
        RefusedError: Too many wait already.
    """
    waiting = sum(1 for each in every(place) if not each.decided)
    if not sent.decided and waiting >= MOST_WAITING:
        raise RefusedError(
            f"{waiting} proposals wait already; confirm them or set them aside first; nothing was "
            "kept"
        )
    folder = place.sets / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    new = folder / f"{sent.name}.new-{os.getpid()}"
    new.unlink(missing_ok=True)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        json.dump(asdict(sent), out, ensure_ascii=False)
    new.replace(folder / f"{sent.name}.json")


def find(place: Workplace, name: str) -> Sent:
    """Give what was sent.

    Raises:
        InputError: There is none of that name.
    """
    path = place.sets / FOLDER / f"{name}.json"
    if len(name) != _LENGTH or not set(name) <= _DIGITS or not path.is_file():
        raise InputError("there is no such proposal; go on from the list of proposals")
    return _read(path)


def every(place: Workplace) -> Iterator[Sent]:
    """Give all that was sent, what was sent last first."""
    paths = sorted((place.sets / FOLDER).glob("*.json"), key=lambda path: path.stat().st_mtime)
    return map(_read, reversed(paths))


def decide(place: Workplace, sent: Sent, how: str, by: str) -> None:
    """Keep in mind what became of it."""
    at = place.now().isoformat(timespec="seconds")
    keep(place, replace(sent, decided=how, decided_by=by, decided_at=at))


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


def _read(path: Path) -> Sent:
    told = json.loads(path.read_text("utf-8"))
    return Sent(**{**told, "cases": tuple(told["cases"])})
