"""Frozen values as plain JSON content."""

from __future__ import annotations

import dataclasses
import datetime
from decimal import Decimal
from enum import Enum
from typing import Any


def jsonable(value: Any) -> Any:
    """Turn frozen values into what JSON can hold: tables, lists, numbers, text.

    Args:
        value: A frozen value, or tuples and dicts of them.

    Returns:
        The same content; a fitting keeps its kind as a key.

    >>> jsonable((Decimal("1.5"), None))
    [1.5, None]
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        kind = getattr(value, "kind", None)
        own = {f.name: jsonable(getattr(value, f.name)) for f in dataclasses.fields(value)}
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
