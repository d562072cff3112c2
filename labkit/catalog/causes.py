"""Reads why rods are rejected: a short list in the trade's words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at
from labkit.catalog.toml_source import TomlSource
from labkit.errors import InputError


@dataclass(frozen=True)
class Cause:
    """Why a rod is rejected; its name is what is recorded and counted."""

    name: str
    words: str


@cache
def causes() -> Mapping[str, Cause]:
    """Read the causes, in the order of their file.

    Raises:
        InputError: The file is not one of causes (a broken installation).
    """
    return read_all("cause", "causes", (), _read)


def find_cause(name: str) -> Cause:
    """Pick a cause by its name.

    Raises:
        InputError: There is none of that name; the sentence lists those that there are.

    >>> find_cause("crack").words
    'a crack, a hole or a missing piece'
    """
    return find("cause", causes(), name)


def told_cause(name: str | None, note: str) -> str:
    """Read why rods are rejected.

    Raises:
        InputError: No cause is told, it is not in the list, or it is "other" and nothing says what.
    """
    if not name:
        raise InputError("say why with --cause; `labkit rejects` lists the causes", field="cause")
    if find_cause(name).name == "other" and not note.strip():
        raise InputError("the cause is other; say with --note what it is", field="note")
    return name


def _read(source: TomlSource) -> tuple[Cause, ...]:
    try:
        return tuple(Cause(each["name"], each["words"]) for each in source.data["cause"])
    except (KeyError, TypeError) as error:
        raise at(source, ("cause",), "is a list of tables with `name` and `words`") from error
