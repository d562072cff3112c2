"""Recording what a command makes: the options, the open ledger, and the line at the end."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from labkit.cli import clock
from labkit.cli.common import LEDGER, operator_option, say

if TYPE_CHECKING:
    from labkit.ledger.queries import Reader
    from labkit.workflow.record.recorder import Recorder

_MAY_BY = operator_option("makes it; with it, what is made is recorded in the ledger.")


@contextmanager
def recording(by: str | None, ledger_url: str | None) -> Iterator[Recorder | None]:
    """Open the ledger for what a command makes.

    Args:
        by: Operator code; without one nothing is recorded, and no ledger is opened.
        ledger_url: The ledger, None for the lab's own.

    Yields:
        The recorder, None where nothing is recorded.

    Raises:
        InputError: The operator code is none, or there is no usable ledger.
        LedgerError: The ledger cannot be read now.
    """
    if by is None:
        yield None
        return
    from labkit.ledger.events import checked_operator
    from labkit.ledger.store import open_ledger
    from labkit.workflow.record.recorder import Recorder

    checked_operator(by)  # before a ledger is begun for it
    with open_ledger(ledger_url) as ledger:
        yield Recorder(ledger, by, clock.now, lambda sentence: said(sentence, to_stderr=True))


@contextmanager
def recording_into(ledger_url: str | None, by: str) -> Iterator[Recorder]:
    """Open a ledger that is there already; an empty one is not begun.

    Raises:
        InputError: There is none, or the operator code is none.
        LedgerError: It cannot be read now.
    """
    from labkit.ledger.store import open_ledger

    with open_ledger(ledger_url, create=False):
        pass
    with recording(by, ledger_url) as recorder:
        assert recorder is not None
        yield recorder


@contextmanager
def looking(ledger_url: str | None) -> Iterator[Reader | None]:
    """Open the ledger to look at it, where there is one.

    Args:
        ledger_url: The ledger, None for the lab's own.

    Yields:
        The record; None where none was named and the lab has none of its own.

    Raises:
        InputError: The one that was named is not there, or is not one that this program reads.
        LedgerError: It cannot be read now.
    """
    from labkit.ledger.place import is_absent
    from labkit.ledger.store import look_into

    if is_absent(ledger_url):
        yield None
        return
    with look_into(ledger_url) as reader:
        yield reader


def not_recorded(what_to_do: str) -> str:
    """Say that what was made is not in the ledger."""
    return f"Not recorded: no rods in between can be made later; {what_to_do}"


def said(what: Recorder | str, *, to_stderr: bool = False) -> None:
    """Print a sentence, or where things were recorded, on one line."""
    sentence = what if isinstance(what, str) else f"Recorded in {what.ledger.place} by {what.by}"
    say(sentence, to_stderr=to_stderr)


def may_record(*, default_ledger: bool) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options --by and --ledger as one argument `recorder`.

    Args:
        default_ledger: Whether the ledger in the user's data folder serves where none is named.

    Returns:
        The decorator; the recorder is None where nothing is to be recorded.
    """

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        @_MAY_BY
        @LEDGER
        @functools.wraps(command)
        def with_recorder(
            *arguments: Any, by: str | None, ledger_url: str | None, **others: Any
        ) -> None:
            wanted = by if default_ledger or ledger_url else None
            with recording(wanted, ledger_url) as recorder:
                command(*arguments, recorder=recorder, **others)

        return with_recorder

    return decorate
