"""Frozen values as plain JSON content."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Iterator, Mapping
from decimal import Decimal
from enum import Enum
from types import MappingProxyType
from typing import Any

#: Metadata of a field that came later: at its default it is left out, so that what was recorded
#: before it existed and what is read now are the same content, with the same digest.
LEFT_OUT_AT_DEFAULT: Mapping[str, bool] = MappingProxyType({"left out at default": True})

#: Metadata of a decimal that is written as text, so that no zero at its end is lost.
_TEXT_UNDER = "text under"


def text_under(*names: str) -> Mapping[str, tuple[str, ...]]:
    """Say under which names a decimal is written as text, the same under each."""
    return MappingProxyType({_TEXT_UNDER: names})


def names_of_text(field: dataclasses.Field[Any]) -> tuple[str, ...]:
    """Give the names under which a field is written as text; none where it is not."""
    names: tuple[str, ...] = field.metadata.get(_TEXT_UNDER, ())
    return names


def jsonable(value: Any) -> Any:
    """Turn frozen values into what JSON can hold: tables, lists, numbers, text.

    Returns:
        The same content; a fitting keeps its kind as a key; a field marked LEFT_OUT_AT_DEFAULT
        is not there while it has its default; a value with a form of its own (`to_record`) has
        that.

    >>> jsonable((Decimal("1.5"), None))
    [1.5, None]
    """
    if hasattr(value, "to_record"):
        return value.to_record()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        kind = getattr(value, "kind", None)
        own = {name: jsonable(item) for name, item in _fields(value)}
        return {"kind": str(kind), **own} if kind is not None else own
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(name): jsonable(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [jsonable(item) for item in value]
    return value


def _fields(value: Any) -> Iterator[tuple[str, Any]]:
    for field in dataclasses.fields(value):
        item = getattr(value, field.name)
        late = "left out at default" in field.metadata
        for name in names_of_text(field):
            yield name, str(item)
        if not names_of_text(field) and not (late and item == _default(field)):
            yield field.name, item


def _default(field: dataclasses.Field[Any]) -> Any:
    made = field.default_factory
    return field.default if made is dataclasses.MISSING else made()
