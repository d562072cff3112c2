"""Events as rows of the table and as lines of an export, taken for true only with their digest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from labkit.errors import InputError, LedgerError
from labkit.ledger.events import Event, Kind, canonical_json, digest_of, written
from labkit.ledger.tables import EVENTS

#: Types of an event's values, as the columns of the table come.
_TYPES = tuple(
    (column.name, int if column.name in ("seq", "corrects") else str) for column in EVENTS.columns
)


def values_of(event: Event) -> dict[str, int | str | None]:
    """Give an event as a row of the table, whose columns come as the fields of the event do."""
    values = (getattr(event, field.name) for field in fields(event))
    plain = (str(value) if isinstance(value, str) else value for value in values)
    return dict(zip(EVENTS.columns.keys(), plain, strict=True))


def event_of(row: Sequence[Any]) -> Event:
    """Read an event from a row of the table.

    Raises:
        LedgerError: The row does not match its digest, or has content of a wrong type.
    """
    for value, (name, wanted) in zip(row, _TYPES, strict=True):
        if type(value) is not wanted and not (name == "corrects" and value is None):
            raise _damaged(row[0], f"its {name} is not what it was")
    return _checked(row)


def event_of_json(content: Any) -> Event:
    """Read an event from one JSON object of an export.

    Raises:
        LedgerError: It is not an event, or does not match its digest.
    """
    if not isinstance(content, dict) or set(content) != {*_NAMES}:
        raise LedgerError(f"an event has exactly the keys {', '.join(_NAMES)}")
    if type(content["seq"]) is not int or not isinstance(content["body"], dict):
        raise LedgerError("an event has a whole number `seq` and a table `body`")
    content = {**content, "body": canonical_json(content["body"])}
    return _checked([content[name] for name in _NAMES])


_NAMES = ("seq", "at", "by", "kind", "case", "body", "corrects", "previous", "digest")


def _checked(values: Sequence[Any]) -> Event:
    try:
        seq, at, by, kind, *rest = values
        event = Event(seq, at, by, Kind(kind), *rest)
        if digest_of(event) == event.digest:
            return event
    except (ValueError, TypeError, InputError):
        pass
    raise _damaged(values[0], "it does not match its digest")


def check_written(event: Event) -> None:
    """Check that the body is written in the one canonical way, which reading relies on.

    Raises:
        LedgerError: It is written otherwise, or is no table.
    """
    try:
        sound = isinstance(event.body, dict) and written(event.body) == event.body_json
    except (ValueError, RecursionError):
        sound = False
    if not sound:
        raise _damaged(event.seq, "it does not match its digest")


def _damaged(seq: object, why: str) -> LedgerError:
    return LedgerError(
        f"event {seq} was changed or is damaged: {why}; check it with `labkit ledger verify`"
    )
