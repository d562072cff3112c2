"""A make in the background: what was asked, how far it is, how it ended."""

from __future__ import annotations

import json
import os
import secrets
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO

from filelock import FileLock, Timeout

from labkit.core.form.read import from_record
from labkit.core.jsonable import jsonable
from labkit.errors import InputError, RefusedError
from labkit.ledger.place import VARIABLE
from labkit.web.jobs.turns import Process, Turns
from labkit.web.owner_only import put
from labkit.web.workplace import OwnFiles, Workplace

#: Folder of the jobs within that of the sets.
FOLDER = ".jobs"
#: A process of a workplace that is no more has begun by then, seconds, or never did.
LONGEST_START = 60.0
#: Jobs that are listed.
MOST_LISTED = 50
#: Jobs that have ended are forgotten after so many days, or once so many came after them.
MOST_DAYS, MOST_KEPT = 90, 500
_ENDINGS = (".stl", ".ply", ".obj", ".3mf")
_DIGITS = frozenset("0123456789abcdef")
#: Folder of jobs → whose turn it is there.
_TURNS: dict[Path, Turns] = {}
_LOOKING = threading.Lock()


class What(StrEnum):
    """What is made."""

    SET = "set"
    BETWEEN = "rods in between"
    ANEW = "replacement rods"
    PAPERS = "papers"
    SCAN = "scan of a rod"


#: What is made → the address that asks for it: whoever may ask there may have it made again.
ASKED_AT: Mapping[What, str] = MappingProxyType({
    What.SET: "set_make",
    What.BETWEEN: "between_make",
    What.ANEW: "rod_make_anew",
    What.PAPERS: "papers_printed",
    What.SCAN: "scan_measured",
})


class How(StrEnum):
    """How far it is."""

    WAITING = "waiting"
    NOT_BEGUN = "not begun"
    MAKING = "being made"
    MADE = "made"
    PRINTED = "printed"
    MEASURED = "measured"
    REFUSED = "refused"
    BROKEN_OFF = "broken off"


#: Stopped with the workplace, or killed.
STOPPED = (How.NOT_BEGUN, How.BROKEN_OFF)


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
    own: OwnFiles
    asked: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, place: Workplace, what: What, about: tuple[str, str], asked: Mapping[str, str]
           ) -> Order:
        """Put an order together.

        Args:
            about: Case, and who asks.
        """
        at = place.now().isoformat(timespec="seconds")
        return cls(what, *about, at, str(place.sets.resolve()), place.own, dict(asked))


@dataclass(frozen=True)
class State:
    """How far a job is.

    Args:
        last: What was done last.
        sentences: Why it was refused, or what to know of what was made.
        made: Name of the set that was made.
        place: Among those that wait for their turn, from 1; 0 where it does not wait for that.
    """

    how: How
    done: int = 0
    total: int = 0
    last: str = ""
    sentences: tuple[str, ...] = ()
    made: str = ""
    place: int = 0


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
    def asked_at(self) -> str:
        """The name of the address that asks for such a make."""
        return ASKED_AT[self.order.what]

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
        put(path, json.dumps(jsonable(value), ensure_ascii=False).encode())

    def read_order(self) -> Order:
        """Read what was asked."""
        told = json.loads(self.order.read_text("utf-8"))
        told.pop("ledger", None)  # once written here
        return from_record(Order, told, "job")

    def read_state(self) -> State | None:
        """Read how far it was when its process last said so; None before it began."""
        try:
            told = json.loads(self.progress.read_text("utf-8"))
        except FileNotFoundError:
            return None
        return from_record(State, told, "state of a job")

    def held(self) -> bool:
        """Tell whether its process is alive: it holds the lock to its end, however that comes."""
        try:
            with self.lock.acquire(timeout=0):
                return False
        except Timeout:
            return True


#: A file that a job works on: its content, and the ending of its name.
Sent = tuple[BinaryIO, str]


def begin(
    place: Workplace, order: Order, scan: Sent | None = None, *, promised: bool = False
) -> str:
    """Make in a process that goes on without this one, now or in its turn; give the job's name.

    Args:
        scan: What is measured, kept until the job has ended.
        promised: Whether a place is kept for it, as `Turns.promised` does.

    Raises:
        RefusedError: Too many others wait.
    """
    folder, name = (place.sets / FOLDER).resolve(), secrets.token_hex(8)
    folder.mkdir(parents=True, exist_ok=True)
    _forget_old(place)
    turns, files, kept = turns_of(place), Files(folder, name), None
    files.write(files.order, order)
    if scan is not None:
        kept = _kept_file(folder, name, scan)
        files.write(files.order, replace(order, asked={**order.asked, "path": str(kept)}))

    def start() -> Process:
        process = subprocess.Popen(
            [sys.executable, "-m", "labkit.web.jobs.run", str(folder), name],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
            # The ledger's URL may hold a password: it is written into no file.
            env={**os.environ, **({VARIABLE: place.ledger} if place.ledger else {})},
        )
        threading.Thread(target=_see_it_end, args=(process, kept), daemon=True).start()
        return process

    try:
        turns.take(name, start, promised=promised)
    except RefusedError:
        files.remove()
        if kept is not None:
            kept.unlink(missing_ok=True)
        raise
    return name


def _see_it_end(process: Process, kept: Path | None) -> None:
    """Take note of its end, and see that what it worked on is gone then, were it killed."""
    process.wait()
    if kept is not None:
        kept.unlink(missing_ok=True)


def turns_of(place: Workplace) -> Turns:
    """Give whose turn it is; makes that an earlier workplace began count until they end."""
    folder = (place.sets / FOLDER).resolve()
    with _LOOKING:
        if folder not in _TURNS:
            jobs = (Files(folder, path.stem) for path in _latest(place))
            going = [files for files in jobs if _says_making(files)]
            _TURNS[folder] = Turns([files.held for files in going])
        return _TURNS[folder]


def _says_making(files: Files) -> bool:
    state = files.read_state()
    return state is not None and state.how is How.MAKING


def _kept_file(folder: Path, name: str, scan: Sent) -> Path:
    """Keep the scan of a job; an ending that is none of a scan becomes that of an STL."""
    content, ending = scan
    own = ending.lower() if ending.lower() in _ENDINGS else _ENDINGS[0]
    put(folder / f"{name}{own}", content)
    return folder / f"{name}{own}"


def find(place: Workplace, name: str) -> Job:
    """Give one job as it is now.

    Raises:
        InputError: There is none of that name.
    """
    if len(name) == 16 and set(name) <= _DIGITS:
        files = Files(place.sets / FOLDER, name)
        if files.order.is_file():
            order = files.read_order()
            return Job(name, order, _state(files, order, place.now(), turns_of(place)))
    raise InputError(
        "no make or measurement in the background has this address; go on from the list of jobs",
        field="job",
    )


def every(place: Workplace) -> list[Job]:
    """List the jobs, the last one first."""
    return [find(place, path.stem) for path in _latest(place)[:MOST_LISTED]]


def _latest(place: Workplace) -> list[Path]:
    """Give the orders, the last one first."""
    orders = [(path.stat().st_mtime, path) for path in (place.sets / FOLDER).glob("*.json")]
    return [path for _, path in sorted(orders, reverse=True)]


def _forget_old(place: Workplace) -> None:
    """Take away the files of jobs that ended long ago, and every scan whose job has ended.

    What was made or measured of them stays on record.
    """
    oldest = place.now() - timedelta(days=MOST_DAYS)
    for number, path in enumerate(_latest(place)):
        job = find(place, path.stem) if number >= MOST_KEPT or _before(path, oldest) else None
        if job is not None and not job.at_work:
            Files(path.parent, path.stem).remove()
    for path in (place.sets / FOLDER).iterdir():
        if not set(_ENDINGS).isdisjoint(path.suffixes) and not _at_work(place, path):
            path.unlink(missing_ok=True)


def _at_work(place: Workplace, path: Path) -> bool:
    """Tell whether the job of a file goes on."""
    try:
        return find(place, path.name.partition(".")[0]).at_work
    except InputError:  # kept by an earlier version, or its job was forgotten
        return False


def _before(path: Path, day: datetime) -> bool:
    return path.stat().st_mtime < day.timestamp()


def _state(files: Files, order: Order, now: datetime, turns: Turns) -> State:
    if place := turns.place(files.order.stem):
        return State(How.WAITING, place=place)
    process = turns.process(files.order.stem)
    ended = process is not None and process.poll() is not None  # before its last word is read
    state = files.read_state()
    if state is None:
        late = (now - datetime.fromisoformat(order.at)).total_seconds() > LONGEST_START
        late = late if process is None else ended
        return State(How.NOT_BEGUN if late else How.WAITING)
    if state.how is How.MAKING and not files.held():
        state = files.read_state() or state  # it may have ended in between
        if state.how is How.MAKING:
            return State(How.BROKEN_OFF, state.done, state.total, state.last)
    return state
