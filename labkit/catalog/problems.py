"""Turns every mistake found in one TOML file into sentences with file, line, key and value."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar

from labkit.catalog.toml_source import TomlSource
from labkit.core.form.read import read_file
from labkit.core.form.words import Location, dotted
from labkit.errors import InputError, InputErrors, LabkitError

ValueT = TypeVar("ValueT")


def read_whole(cls: type[ValueT], source: TomlSource) -> ValueT:
    """Read a TOML file into a value.

    Raises:
        InputErrors: Every mistake in the file, in the order of its lines.
    """
    value, problems = examined(cls, source)
    if value is None:
        raise together(problems)
    return value


def examined(cls: type[ValueT], source: TomlSource) -> tuple[ValueT | None, list[LabkitError]]:
    """Read a TOML file into a value without raising.

    Returns:
        The value and no errors, or None and every mistake.
    """
    value, mistakes = read_file(cls, source.data)
    return value, [at(source, one.location, one.message, one.allowed) for one in mistakes]


def together(errors: Iterable[LabkitError]) -> InputErrors:
    """Join errors of one file; the exit status is that of the gravest.

    Args:
        errors: At least one error.
    """
    found = tuple(sorted(errors, key=_line))
    joined = InputErrors(found)
    joined.exit_code = max(error.exit_code for error in found)
    return joined


def at(source: TomlSource, location: Location, message: str, allowed: str = "") -> InputError:
    """Make an input error that names file, line and key.

    Args:
        message: What is wrong, what is allowed, what to do.
        allowed: What is allowed, by itself.
    """
    return InputError(
        f"{dotted(location)} {message}".strip(),
        field=dotted(location),
        value=_value_at(source.data, location),
        allowed=allowed,
        where=source.place(location),
    )


def _line(error: LabkitError) -> int:
    line = error.where.rsplit(":", 1)[-1]
    return int(line) if line.isdigit() else 0


def _value_at(data: Any, location: Location) -> object:
    for part in location:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    found: object = data
    return found
