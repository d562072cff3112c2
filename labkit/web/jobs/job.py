"""A make in the background: what was asked, how far it is, how it ended."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any, BinaryIO

from filelock import FileLock, Timeout

from labkit.errors import InputError
from labkit.ledger.place import VARIABLE
from labkit.web.workplace import OwnFiles, Workplace

#: Folder of the jobs within that of the sets.
FOLDER = ".jobs"
#: A process of a workplace that is no more has begun by then, seconds, or was stopped before.
LONGEST_START = 60.0
#: Jobs that are listed.
MOST_LISTED = 50
#: Jobs that have ended are forgotten after so many days, or once so many came after them.
MOST_DAYS, MOST_KEPT = 90, 500
#: Processes that this workplace began.
_BEGUN: dict[str, subprocess.Popen[bytes]] = {}
_ENDINGS = (".stl", ".ply", ".obj", ".3mf")
_DIGITS = frozenset("0123456789abcdef")


class What(StrEnum):
    """What is made."""

    SET = "set"
    BETWEEN = "rods in between"
    ANEW = "replacement rods"
    SCAN = "scan of a rod"


class How(StrEnum):
    """How far it is."""

    WAITING = "waiting"
    MAKING = "being made"
    MADE = "made"
    MEASURED = "measured"
    REFUSED = "refused"
    BROKEN_OFF = "broken off"


@dataclass(frozen=True)
class Order:
    """What was asked for, with all that the process needs.

    Args:
        asked: Of anything but a set: what the form told.
        at: When, as text.
    """

    what: What
    case: str
    by: str
    at: str
    sets: str
    own: Mapping[str, Any]
    asked: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, place: Workplace, what: What, about: tuple[str, str], asked: Mapping[str, str]
           ) -> Order:  # fmt: skip
        """Put an order together.

        Args:
            about: Case, and who asks.
        """
        at = place.now().isoformat(timespec="seconds")
        return cls(what, *about, at, str(place.sets.resolve()), asdict(place.own),
                   dict(asked))  # fmt: skip

    @property
    def files(self) -> OwnFiles:
        """The lab's own files."""
        return own_files(self.own)


def own_files(told: Mapping[str, Any]) -> OwnFiles:
    """Read the lab's own files as an order has them."""
    return OwnFiles(
        tuple(told["templates"]), tuple(told["processes"]), tuple(told["instruments"]),
        told["profile"], told["process"],
    )


@dataclass(frozen=True)
class State:
    """How far a job is.

    Args:
        last: What was done last.
        sentences: Why it was refused, or what to know of what was made.
        made: Name of the set that was made.
    """

    how: How
    done: int = 0
    total: int = 0
    last: str = ""
    sentences: tuple[str, ...] = ()
    made: str = ""


@dataclass(frozen=True)
class Job:
    """One make.

    Args:
        name: Sixteen hexadecimal digits.
    """

    name: str
    order: Order
    state: State

    @property
    def at_work(self) -> bool:
        """Whether it goes on."""
        return self.state.how in (How.WAITING, How.MAKING)


class Files:
    """The files of one job: order, progress, the lock that its process holds, what went wrong."""

    def __init__(self, folder: Path, name: str) -> None:
        self.order, self.progress = folder / f"{name}.json", folder / f"{name}.progress"
        self.trace = folder / f"{name}.trace"
        self.lock = FileLock(folder / f"{name}.lock")

    def remove(self) -> None:
        """Take them away, the order last, so that what is found is whole."""
        for path in (self.trace, self.progress, Path(self.lock.lock_file), self.order):
            path.unlink(missing_ok=True)

    def write(self, path: Path, value: Any) -> None:
        """Write a file whole or not at all."""
        self.write_text(path, json.dumps(asdict(value), ensure_ascii=False))

    def write_text(self, path: Path, text: str) -> None:
        """Write a text whole or not at all, for its owner alone."""
        new = path.with_suffix(f"{path.suffix}.new")
        new.unlink(missing_ok=True)
        handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            out.write(text)
        new.replace(path)

    def read_order(self) -> Order:
        """Read what was asked."""
        told = json.loads(self.order.read_text("utf-8"))
        told.pop("ledger", None)  # once written here
        return Order(**{**told, "what": What(told["what"])})

    def read_state(self) -> State | None:
        """Read how far it was when its process last said so; None before it began."""
        try:
            told = json.loads(self.progress.read_text("utf-8"))
        except FileNotFoundError:
            return None
        return State(**{**told, "how": How(told["how"]), "sentences": tuple(told["sentences"])})

    def held(self) -> bool:
        """Tell whether its process is alive: it holds the lock to its end, however that comes."""
        try:
            with self.lock.acquire(timeout=0):
                return False
        except Timeout:
            return True


def begin(place: Workplace, order: Order) -> str:
    """Begin to make in a process that goes on without this one; give the job's name."""
    folder, name = place.sets / FOLDER, secrets.token_hex(8)
    folder.mkdir(parents=True, exist_ok=True)
    _forget_old(place)
    files = Files(folder, name)
    files.write(files.order, order)
    process = subprocess.Popen(
        [sys.executable, "-m", "labkit.web.jobs.run", str(folder), name],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True,
        # The ledger's URL may hold a password: it is written into no file.
        env={**os.environ, **({VARIABLE: place.ledger} if place.ledger else {})},
    )
    _BEGUN[name] = process
    threading.Thread(target=process.wait, daemon=True).start()  # so that its end is taken note of
    return name


def kept_file(place: Workplace, content: BinaryIO, ending: str) -> Path:
    """Keep a file that a job works on, under a name of ours.

    Args:
        ending: Of the file as it was sent; one that is none of a scan becomes that of an STL.
    """
    folder = place.sets.resolve() / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    own = ending.lower() if ending.lower() in _ENDINGS else _ENDINGS[0]
    path = folder / f"{secrets.token_hex(8)}{own}"
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        shutil.copyfileobj(content, out)
    return path


def find(place: Workplace, name: str) -> Job:
    """Give one job as it is now.

    Raises:
        InputError: There is none of that name.
    """
    if len(name) == 16 and set(name) <= _DIGITS:
        files = Files(place.sets / FOLDER, name)
        if files.order.is_file():
            order = files.read_order()
            return Job(name, order, _state(files, order, place.now(), _BEGUN.get(name)))
    raise InputError("there is no such job; go on from the list of jobs")


def every(place: Workplace) -> list[Job]:
    """List the jobs, the last one first."""
    return [find(place, path.stem) for path in _latest(place)[:MOST_LISTED]]


def _latest(place: Workplace) -> list[Path]:
    """Give the orders, the last one first."""
    orders = [(path.stat().st_mtime, path) for path in (place.sets / FOLDER).glob("*.json")]
    return [path for _, path in sorted(orders, reverse=True)]


def _forget_old(place: Workplace) -> None:
    """Take away the files of jobs that ended long ago; what was made of them stays on record."""
    oldest = place.now() - timedelta(days=MOST_DAYS)
    for number, path in enumerate(_latest(place)):
        job = find(place, path.stem) if number >= MOST_KEPT or _before(path, oldest) else None
        if job is not None and not job.at_work:
            Files(path.parent, path.stem).remove()
            if kept := job.order.asked.get("path"):
                Path(kept).unlink(missing_ok=True)


def _before(path: Path, day: datetime) -> bool:
    return path.stat().st_mtime < day.timestamp()


def _state(
    files: Files, order: Order, now: datetime, process: subprocess.Popen[bytes] | None
) -> State:
    ended = process is not None and process.poll() is not None  # before its last word is read
    state = files.read_state()
    if state is None:
        late = (now - datetime.fromisoformat(order.at)).total_seconds() > LONGEST_START
        late = late if process is None else ended
        return State(How.BROKEN_OFF if late else How.WAITING)
    if state.how is How.MAKING and not files.held():
        state = files.read_state() or state  # it may have ended in between
        if state.how is How.MAKING:
            return State(How.BROKEN_OFF, state.done, state.total, state.last)
    return state
