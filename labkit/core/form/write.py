"""Writes values as the content of files that people read."""

from __future__ import annotations

import datetime
import numbers
from collections.abc import Mapping
from dataclasses import is_dataclass
from enum import Enum
from typing import Any

from labkit.core.form.keys import Entry, file_keys, tag_of


def file_content(value: Any) -> dict[str, Any]:
    """Give what a file says of a value, without its schema.

    Returns:
        Keys with texts, dates, numbers, lists and tables, in this order; a key that may be
        absent is not there while it has its default.
    """
    cls: Any = type(value)
    return _content(file_keys(cls), value)


def _content(keys: Mapping[str, Entry], value: object) -> dict[str, Any]:
    found = {name: _plain(entry, value) for name, entry in keys.items()}
    told = {name: one for name, one in found.items() if one is not None}
    return dict(sorted(told.items(), key=lambda item: _rank(item[1])))


def _plain(entry: Entry, value: object) -> Any:
    if entry.inside:
        return _content(entry.inside, value)
    own = getattr(value, entry.field)
    if not entry.required and own == entry.default:
        return None
    if entry.members and own is not None:
        kind = {"kind": tag_of(type(own))} if len(entry.members) > 1 else {}
        return {**kind, **file_content(own)}
    if isinstance(own, tuple):
        return [file_content(one) if is_dataclass(one) else _word(one) for one in own]
    return _word(own)


def _word(value: Any) -> Any:
    return value.value if isinstance(value, Enum) else value


def _rank(value: object) -> int:
    if isinstance(value, (str, datetime.date)):
        return 0
    return 1 if isinstance(value, numbers.Number) else 3 if isinstance(value, dict) else 2
