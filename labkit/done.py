"""What this run has delivered and recorded so far: said at its end where that ends badly."""

from __future__ import annotations

#: In the order in which it was done.
_DONE: list[str] = []


def begin() -> None:
    """Forget what was done before: a run begins."""
    _DONE.clear()


def tell_done(what: str) -> None:
    """Remember that something lies or stands now that did not before.

    Args:
        what: A clause, such as "the set QF-1043-r1 lies in /lab/sets".
    """
    _DONE.append(what)


def done_so_far() -> tuple[str, ...]:
    """Give what was done, oldest first; empty where nothing was delivered or recorded."""
    return tuple(dict.fromkeys(_DONE))


def in_one_sentence() -> str:
    """Say what was done, or that nothing was.

    >>> begin()
    >>> in_one_sentence()
    'nothing was delivered or recorded'
    """
    done = done_so_far()
    return f"done before that: {'; '.join(done)}" if done else "nothing was delivered or recorded"
