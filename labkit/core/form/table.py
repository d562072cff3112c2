"""The guide's tables of keys, made from the form of the values themselves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import Enum
from typing import get_args, get_origin

from labkit.core.form.keys import NO_DEFAULT, Entry, Key, file_keys, tag_of
from labkit.core.form.read import SCHEMA, allowed_words
from labkit.core.form.words import dotted, listed


def keys_table(cls: type) -> str:
    """Write the table of all keys of a file in Markdown: key, meaning, allowed, default.

    Returns:
        Lines of the table, without a newline at the end.
    """
    lines = ["| key | meaning | allowed | default |", "| --- | --- | --- | --- |"]
    return "\n".join([*lines, *_rows({"schema": SCHEMA, **file_keys(cls)}, ())])


def _rows(keys: Mapping[str, Entry], above: tuple[str, ...]) -> Iterator[str]:
    seen: dict[tuple[type, ...], str] = {}
    for name, entry in keys.items():
        place = (*above, name)
        tables = {tag_of(cls): file_keys(cls) for cls in _classes(entry)}
        alike = seen.setdefault(entry.members, name) if entry.members else name
        if alike != name:
            yield f"| `{dotted(place)}.…` | as `{dotted((*above, alike))}.…` | | |"
        elif entry.inside:
            yield from _rows(entry.inside, place)
        elif not tables:
            yield _row(entry, place)
        elif len(tables) == 1:
            yield from _rows(next(iter(tables.values())), place)
        else:
            yield _row(Entry("", str, _kinds(entry)), (*place, "kind"))
            for tag, inner in tables.items():
                yield from (row.replace("| `", f"| {tag}: `", 1) for row in _rows(inner, place))


def _row(entry: Entry, place: tuple[str, ...]) -> str:
    allowed = allowed_words(entry, place, "a date such as 2031-03-14, without quotes")
    return f"| `{dotted(place)}` | {entry.key.about} | {allowed} | {default_words(entry)} |"


def _classes(entry: Entry) -> tuple[type, ...]:
    if get_origin(entry.kind) is tuple:
        return Entry("", get_args(entry.kind)[0], entry.key).members
    return entry.members


def _kinds(entry: Entry) -> Key:
    return Key(entry.key.about, listed(map(tag_of, entry.members)))


def default_words(entry: Entry) -> str:
    """Say what holds where a key is absent."""
    if entry.required:
        return "required"
    if entry.key.otherwise:
        return entry.key.otherwise
    if entry.default in (None, NO_DEFAULT, "", ()):
        return "none"
    return _written(entry.default)


def _written(default: object) -> str:
    """Write a default as it would stand in a file."""
    if isinstance(default, tuple):
        return f"[{', '.join(map(_written, default))}]"
    if isinstance(default, bool):
        return str(default).lower()
    return f'"{default}"' if isinstance(default, (str, Enum)) else f"{default}"
