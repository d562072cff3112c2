"""Many sets at once: a pool of processes that goes on past a bad case and past a lost worker."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import connection
from pathlib import Path
from typing import Any, TypeVar

from labkit.exports.write.set_folder import last_whole

#: A worker is replaced after as many cases, so that what its libraries keep does not add up.
_CASES_A_WORKER = 100
#: A case that was at work whenever a worker was lost is not tried again after as many times.
_MOST_TRIES = 2
#: What is said of a case whose worker was lost each time.
LOST = (
    "its process was ended from outside each time that it was tried; make it by itself with "
    "`labkit make`"
)
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")

Done = TypeVar("Done")


@dataclass(frozen=True)
class Outcome:
    """What became of one prescription.

    Args:
        file: Where it was read.
        case: Its case number; empty where it could not be read.
        state: "made", "there" (made before), "refused", "unreadable", "not written" (such as on a
            full disk) or "broken off"; in a queue also "waiting" (of a worker: put back for another
            host), "at work" and "given up".
        set_name, folder: Of a set that lies there now.
        rods: Pieces of the set.
        said: Sentences: notes of a set that was made, or why there is none.
    """

    file: str
    case: str
    state: str
    set_name: str = ""
    folder: str = ""
    rods: int = 0
    said: tuple[str, ...] = ()


def with_set(outcome: Outcome, folder: Path, spec: Mapping[str, Any]) -> Outcome:
    """Name the set that lies there now.

    Args:
        spec: Content of its spacer-set.json.
    """
    rods = sum(part["quantity"] for part in spec["parts"])
    return replace(outcome, set_name=folder.name, folder=str(folder), rods=rods)


def with_set_in(out: Path, outcome: Outcome) -> Outcome:
    """Name the last whole set of the case that lies in a folder, where there is one."""
    lying = last_whole(out, outcome.case)
    return with_set(outcome, *lying) if lying else outcome


def in_a_pool(
    work: Callable[[str], Done], items: Sequence[str], workers: int,
    lost: Callable[[str], Done], stop: threading.Event,
) -> Iterator[Done]:
    """Do the same work for many items in several processes; give each result as it comes.

    A worker that is killed takes no other item with it: what was at work is tried once more.
    After Ctrl-C, or once it is to stop, what is at work comes to its end, and nothing more begins.

    Args:
        work: Pickled; raises nothing of its own.
        lost: Makes the result of an item whose worker was lost each time.

    Raises:
        KeyboardInterrupt: Ctrl-C, after the last result.
    """
    waiting, tries = deque(items), Counter[str]()
    while waiting and not stop.is_set():
        running: dict[Future[Done], str] = {}
        with pool_of(workers) as pool:
            try:
                yield from _results(pool, work, waiting, running, workers, stop)
            except KeyboardInterrupt:
                stop.set()
                yield from _last(pool, running)
                raise
            except BrokenProcessPool:
                for item in running.values():
                    tries[item] += 1
        for item in running.values():
            if tries[item] < _MOST_TRIES:
                waiting.append(item)
            else:
                yield lost(item)


def _results(
    pool: ProcessPoolExecutor, work: Callable[[str], Done], waiting: deque[str],
    running: dict[Future[Done], str], workers: int, stop: threading.Event,
) -> Iterator[Done]:
    """Keep every worker busy, and no more at work than that: `running` says what a loss costs."""
    while running or (waiting and not stop.is_set()):
        while waiting and len(running) < workers and not stop.is_set():
            # Taken away only once it is at work: a worker may have been lost meanwhile.
            running[pool.submit(work, waiting[0])] = waiting[0]
            waiting.popleft()
        yield from _next(running)


def _next(running: dict[Future[Done], str]) -> Iterator[Done]:
    done, _ = wait(running, return_when=FIRST_COMPLETED)
    for future in done:
        result = future.result()
        del running[future]
        yield result


def _last(pool: ProcessPoolExecutor, running: dict[Future[Done], str]) -> Iterator[Done]:
    """Let what is at work come to its end; a second Ctrl-C leaves it."""
    try:
        with suppress(BrokenProcessPool):
            while running:
                yield from _next(running)
    except KeyboardInterrupt:
        pool.shutdown(wait=False, cancel_futures=True)
        raise


def pool_of(workers: int) -> ProcessPoolExecutor:
    """Make a pool whose workers end with this process, and are replaced now and then."""
    # One thread for each process: the cores are shared out among the workers already.
    for name in _THREADS:
        os.environ.setdefault(name, "1")
    return ProcessPoolExecutor(
        workers, multiprocessing.get_context("spawn"), _end_with_parent,
        max_tasks_per_child=_CASES_A_WORKER,
    )


def _end_with_parent() -> None:
    """Let a worker end when the run that started it is killed: nobody would take its results.

    The signals that stop that run, and Ctrl-C, which reaches all of them, leave it its set.
    """
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch(sentinel: int) -> None:
        connection.wait([sentinel])
        os._exit(1)

    threading.Thread(target=watch, args=(parent.sentinel,), daemon=True).start()


def twice_named(cases: Mapping[str, str]) -> tuple[tuple[str, ...], ...]:
    """Find cases that several files prescribe: which one comes first would be chance.

    Folders of Windows and macOS do not tell capitals from small letters, so neither do cases here.

    Args:
        cases: File → case number.

    Returns:
        The files of each such case.

    >>> twice_named({"a.toml": "QF-1", "b.toml": "QF-2", "c.toml": "qf-1"})
    (('a.toml', 'c.toml'),)
    """
    files: dict[str, list[str]] = {}
    for file, case in cases.items():
        files.setdefault(case.casefold(), []).append(file)
    return tuple(tuple(named) for named in files.values() if len(named) > 1)
