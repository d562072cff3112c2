"""The form of a value as JSON Schema, for programs that send one."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from enum import Enum
from typing import Any, get_args, get_origin

from labkit.core.form.keys import MOST, NO_DEFAULT, Entry, file_keys, record_keys, tag_of
from labkit.core.form.read import SCHEMA

#: Types of JSON by those of fields.
_PLAIN: Mapping[type, dict[str, Any]] = {
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    Decimal: {"type": "number"},
    str: {"type": "string"},
    dict: {"type": "object"},
    datetime.date: {"type": "string", "format": "date"},
}


def record_schema(cls: type) -> dict[str, Any]:
    """Give the schema of what `read_record` takes for a value."""
    return _table(record_keys(cls))


def file_schema(cls: type) -> dict[str, Any]:
    """Give the schema of what `read_file` takes for a file, where numbers stand as numbers."""
    return _table({"schema": SCHEMA, **file_keys(cls)})


def _table(keys: Mapping[str, Entry]) -> dict[str, Any]:
    needed = [name for name, entry in keys.items() if _needed(entry)]
    return {
        "type": "object",
        "properties": {name: _one(entry) for name, entry in keys.items()},
        "additionalProperties": False,
        **({"required": needed} if needed else {}),
    }


def _needed(entry: Entry) -> bool:
    return entry.key.required or (entry.default is NO_DEFAULT and entry.required)


def _one(entry: Entry) -> dict[str, Any]:
    about = {"description": entry.key.about} if entry.key.about else {}
    found = {**_kind(entry), **about}
    return {"anyOf": [found, {"type": "null"}]} if entry.optional else found


def _kind(entry: Entry) -> dict[str, Any]:
    if entry is SCHEMA:
        return {"const": 1}
    if entry.inside:
        return _table(entry.inside)
    if entry.members:
        return _member(entry.members)
    if get_origin(entry.kind) is tuple:
        inner = replace(
            entry, kind=get_args(entry.kind)[0], key=replace(entry.key, least=0, most=MOST)
        )
        return {"type": "array", "items": _kind(inner), "minItems": entry.key.least,
                "maxItems": entry.key.most}
    return _leaf(entry)


def _member(members: tuple[type, ...]) -> dict[str, Any]:
    if len(members) == 1:
        return _table(file_keys(members[0]))
    tables = []
    for one in members:
        table = _table(file_keys(one))
        properties = {"kind": {"const": tag_of(one)}, **table["properties"]}
        needed = ["kind", *table.get("required", ())]
        tables.append({**table, "properties": properties, "required": needed})
    return {"oneOf": tables}


def _leaf(entry: Entry) -> dict[str, Any]:
    key, kind = entry.key, get_origin(entry.kind) or entry.kind
    if key.choices:
        return {"enum": list(key.choices)}
    if issubclass(kind, Enum):
        return {"enum": [str(one.value) for one in kind]}
    found = dict(_PLAIN[kind])
    if kind is str:
        found |= {"minLength": key.least, "maxLength": key.most}
    if key.low is not None and key.high is not None:
        found |= {"minimum": key.low, "maximum": key.high}
    return found
