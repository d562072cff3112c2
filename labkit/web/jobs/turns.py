"""Whose turn it is: so many makes go on at once, the others wait in their order."""

from __future__ import annotations

import subprocess
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress

from labkit.errors import RefusedError

#: Makes that go on at once, each of which fills a processor, and that may wait for their turn.
AT_ONCE, MOST_WAITING = 2, 20
#: Processes that have ended and are kept in mind.
MOST_ENDED = 50
#: It is looked whether one has ended after so many seconds.
_LOOK_AGAIN = 0.5

Process = subprocess.Popen[bytes]


class Turns:
    """The makes of one folder of sets.

    What waits is kept in memory alone: once the workplace is stopped, it shows as not begun.

    Args:
        others: Of makes that an earlier workplace began: whether each goes on.
    """

    def __init__(self, others: Iterable[Callable[[], bool]] = ()) -> None:
        self._lock, self._others = threading.Lock(), list(others)
        self._waiting: dict[str, Callable[[], Process]] = {}
        self._begun: dict[str, Process] = {}
        self._promised = 0

    def take(self, name: str, start: Callable[[], Process], *, promised: bool = False) -> None:
        """Begin a make, now or when its turn comes.

        Args:
            promised: Whether a place is kept for it.

        Raises:
            RefusedError: Too many wait already, and no place is kept.
        """
        with self._lock:
            if not self._waiting and self._free():
                self._begun[name] = start()
                return
            if not promised:
                self._require_room(1)
            self._waiting[name] = start
            if len(self._waiting) == 1:
                threading.Thread(target=self._watch, daemon=True).start()

    @contextmanager
    def promised(self, count: int) -> Iterator[None]:
        """Keep places for so many more meanwhile, so that no other make takes them.

        Raises:
            RefusedError: So many more could not wait.
        """
        with self._lock:
            self._require_room(count)
            self._promised += count
        try:
            yield
        finally:
            with self._lock:
                self._promised -= count

    def process(self, name: str) -> Process | None:
        """Give the process of a make; None where this workplace has begun none, or long ago."""
        return self._begun.get(name)

    def place(self, name: str) -> int:
        """Give the place of a make among those that wait, from 1; 0 where it does not wait."""
        with self._lock:
            return next((at for at, each in enumerate(self._waiting, 1) if each == name), 0)

    def _require_room(self, count: int) -> None:
        taken = len(self._waiting) + self._promised
        if taken + count > MOST_WAITING:
            raise RefusedError(
                f"at most {MOST_WAITING} makes can wait for their turn, and {taken} do; "
                "ask again when one of them has begun; nothing was recorded"
            )

    def _free(self) -> bool:
        self._others = [goes_on for goes_on in self._others if goes_on()]
        ended = [name for name, process in self._begun.items() if process.poll() is not None]
        for name in ended[:-MOST_ENDED]:
            del self._begun[name]
        own = len(self._begun) - len(ended[-MOST_ENDED:])
        return own + len(self._others) < AT_ONCE

    def _watch(self) -> None:
        """Begin what waits, one after another, until nothing does."""
        while True:
            time.sleep(_LOOK_AGAIN)
            with self._lock:
                while self._waiting and self._free():
                    name = next(iter(self._waiting))
                    start = self._waiting.pop(name)
                    with suppress(OSError):  # it shows as not begun
                        self._begun[name] = start()
                if not self._waiting:
                    return
