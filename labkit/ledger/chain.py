"""Events as rows of the table and as lines of an export, taken for true only with their digest."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Row

from labkit.errors import InputError, LedgerError
from labkit.ledger.events import Event, Kind, canonical_json, digest_of, event_json

#: Column of the table → field of the event.
_FIELDS = {
    "seq": "seq",
    "at": "at",
    "operator": "by",
    "kind": "kind",
    "case_number": "case",
    "body": "body_json",
    "corrects": "corrects",
    "previous": "previous",
    "digest": "digest",
}
_WHOLE = ("seq", "corrects")


def values_of(event: Event) -> dict[str, int | str | None]:
    """Give an event as a row of the table."""
    row = {column: getattr(event, field) for column, field in _FIELDS.items()}
    return {**row, "kind": str(event.kind)}


def event_of(row: Row[Any] | Mapping[str, Any]) -> Event:
    """Read an event from a row of the table.

    Raises:
        LedgerError: The row does not match its digest, or has content of a wrong type.
    """
    stored = row._mapping if isinstance(row, Row) else row
    values = {field: stored[column] for column, field in _FIELDS.items()}
    for field, value in values.items():
        wanted = int if field in _WHOLE else str
        if type(value) is not wanted and not (field == "corrects" and value is None):
            raise _damaged(values["seq"], f"its {field} is not what it was")
    return _checked(values)


def event_of_json(content: Any) -> Event:
    """Read an event from one JSON object of an export.

    Raises:
        LedgerError: It is not an event, or does not match its digest.
    """
    if not isinstance(content, dict) or set(content) != {*_NAMES}:
        raise LedgerError(f"an event has exactly the keys {', '.join(_NAMES)}")
    if type(content["seq"]) is not int or not isinstance(content["body"], dict):
        raise LedgerError("an event has a whole number `seq` and a table `body`")
    values = {**content, "body_json": canonical_json(content["body"])}
    del values["body"]
    return _checked(values)


_NAMES = ("seq", "at", "by", "kind", "case", "body", "corrects", "previous", "digest")


def _checked(values: dict[str, Any]) -> Event:
    try:
        event = Event(**{**values, "kind": Kind(values["kind"])})
        body = json.loads(event.body_json)
        sound = isinstance(body, dict) and canonical_json(body) == event.body_json
        sound = sound and digest_of(event) == event.digest
    except (ValueError, TypeError, RecursionError, InputError):
        sound = False
    if not sound:
        raise _damaged(values["seq"], "it does not match its digest")
    return event


def line_of(event: Event) -> str:
    """Write an event as one line of an export, without the line's end."""
    return canonical_json(event_json(event))


def _damaged(seq: object, why: str) -> LedgerError:
    return LedgerError(
        f"event {seq} was changed or is damaged: {why}; look with `labkit ledger verify`"
    )
