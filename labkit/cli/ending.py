"""How a run ends: nothing done, done, or done and not shown; and it says which."""

from __future__ import annotations

import _thread
import codecs
import contextlib
import errno
import io
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any, NoReturn

from labkit.done import done_so_far, in_one_sentence

#: As a shell tells a program that Ctrl-C ended: 128 and the number of the signal.
EXIT_INTERRUPTED = 130
EXIT_NOT_SHOWN = 1
_STDERR = 2
#: After it the main thread has left what was called back.
_MOMENT_S = 0.02
#: What stands for a sign that a stream's encoding does not have; others become "?".
_PLAIN = {
    "±": "+/-", "−": "-", "–": "-", "—": "-", "…": "...", "°": " deg", "²": "2", "³": "3",
    "×": "x", "·": "*", "≤": "<=", "≥": ">=", "µ": "u", "μ": "u", "σ": "s", "α": "alpha",
    "→": "->", "“": '"', "”": '"', "‘": "'", "’": "'", "•": "*",
    **dict.fromkeys("─━╌═", "-"), **dict.fromkeys("│┃║", "|"), **dict.fromkeys("█▇▆▅▄▃▂▁", "#"),
    **dict.fromkeys("┌┐└┘├┤┬┴┼╭╮╯╰╷╵╸╺╶╴┏┓┗┛┡┩╇", "+"),
    # Drawings in dots: a place with any dot in it, and an empty one.
    **dict.fromkeys(map(chr, range(0x2801, 0x2900)), "*"), "\u2800": " ",
}


def _plainly(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    return "".join(_PLAIN.get(sign, "?") for sign in signs), error.end


class NotShownError(OSError):
    """Standard output did not take what was printed."""


class _Output(io.TextIOWrapper):
    """Standard output, whose failures can be told from those of other files.

    Args:
        is_given_up: Whether it failed and takes nothing any more.
    """

    is_given_up = False

    def write(self, text: str) -> int:
        with self._named():
            return super().write(text)

    def flush(self) -> None:
        if not self.is_given_up:
            with self._named():
                super().flush()

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise NotShownError(error.errno, error.strerror) from error


class _Closed(io.RawIOBase):
    """Stands for an output that was closed before the program began."""

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        if isinstance(sys.stdout, _Output) and sys.stdout.is_given_up:
            return len(memoryview(data))
        raise OSError(errno.EBADF, "it is closed")


def plain_streams() -> None:
    """Let every stream take every sentence, a sign that it does not have spelled out."""
    codecs.register_error("spelled-out", _plainly)
    # The number of a closed stream would be given to the next file, and that be printed into.
    while (free := os.open(os.devnull, os.O_RDWR)) <= _STDERR:
        pass
    os.close(free)
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    lines = bool(getattr(sys.stdout, "line_buffering", False))
    raw = io.BufferedWriter(_Closed())
    if isinstance(sys.stdout, io.TextIOWrapper):
        raw = sys.stdout.detach()
    sys.stdout = _Output(raw, encoding=encoding, errors="spelled-out", line_buffering=lines)
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="spelled-out")


def keep_ctrl_c() -> None:
    """Let Ctrl-C end the run also where Python drops it: in what a library calls back.

    There the exception goes no further than `sys.unraisablehook`; a moment later the main thread is
    interrupted again.
    """
    told = sys.unraisablehook

    def again(what: sys.UnraisableHookArgs) -> None:
        if not issubclass(what.exc_type, KeyboardInterrupt):
            told(what)
            return
        timer = threading.Timer(_MOMENT_S, _thread.interrupt_main)
        timer.daemon = True
        timer.start()

    sys.unraisablehook = again


def interrupted(error: BaseException) -> bool:
    """Tell whether Ctrl-C is behind an error: a library may turn it into one of its own."""
    seen: set[int] = set()
    behind: BaseException | None = error
    while behind is not None and id(behind) not in seen:
        if isinstance(behind, KeyboardInterrupt):
            return True
        seen.add(id(behind))
        behind = behind.__cause__ or behind.__context__
    return False


def end(status: int) -> NoReturn:
    """Leave with an exit status, after everything printed has reached its place, or say it did not.

    Raises:
        SystemExit: Always.
    """
    try:
        sys.stdout.flush()
    except NotShownError as error:
        not_shown(error)
    raise SystemExit(status)


def leave(ending: SystemExit) -> NoReturn:
    """Leave at once, since everything is written and said: clearing the modules takes 0.5 s."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()
    os._exit(ending.code if isinstance(ending.code, int) else 0)


def not_shown(error: NotShownError) -> NoReturn:
    """Leave where results could not be printed, saying what was done all the same.

    Raises:
        SystemExit: Always.
    """
    # Who reads the first lines only (`| head`) knows that; what was done is said all the same.
    if done_so_far() or error.errno != errno.EPIPE:
        what = f"what was to be printed could not be shown in full ({error.strerror})"
        tell_last(f"{what}; {in_one_sentence()}")
    _let_go(sys.stdout)
    raise SystemExit(EXIT_NOT_SHOWN)


def end_interrupted() -> NoReturn:
    """Leave after Ctrl-C, saying what was done before.

    Raises:
        SystemExit: Always.
    """
    tell_last(f"stopped by Ctrl-C; {in_one_sentence()}")
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
    _let_go(sys.stdout)
    raise SystemExit(EXIT_INTERRUPTED)


def tell_last(sentence: str) -> None:
    """Print the last sentence of a run on standard error, if that still takes any."""
    try:
        sys.stderr.write(f"labkit: {sentence}\n")
        sys.stderr.flush()
    except (OSError, ValueError, AttributeError):
        _let_go(sys.stderr)


def unforeseen(error: Exception) -> str:
    """Say that something happened which the program does not know, and what was done before."""
    done = done_so_far()
    return (
        f"stopped by an unforeseen {type(error).__name__}: {error}; {in_one_sentence()}; "
        f"{'look at that before you repeat anything; ' if done else ''}run again with "
        "`labkit --traceback ...` and report what it shows"
    )


def _let_go(stream: object) -> None:
    """Keep the interpreter from trying a broken stream once more at its own end."""
    if isinstance(stream, _Output):
        stream.is_given_up = True
    with contextlib.suppress(Exception):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # type: ignore[attr-defined]
