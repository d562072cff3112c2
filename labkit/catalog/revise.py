"""Writes the next revision of a prescription: other readings, every comment kept."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from decimal import Decimal
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.core.grading.prescription import Bite, Side
from labkit.errors import InputError
from labkit.units import plain

#: Where a key stands: its tables and itself.
_Path = tuple[str, ...]


def with_bite(
    source: TomlSource, bite: Bite, distances: Mapping[Side, Decimal] | None = None
) -> str:
    r"""Write a prescription with the protruded reading and the midline deviation of a bite.

    Args:
        bite: Bite readings; the other ones must be those of the prescription.
        distances: Pin distances of both sides, where one was recorded wrongly, mm; they stand
            in the place of one distance for both.

    Returns:
        The new text. Order, comments, spacing and line ends are those of the stored one; a
        value that stays the same stays as it was written.

    Raises:
        InputError: The text has no [bite] with a protruded reading, or could not be changed
            without changing something else.

    >>> from labkit.core.grading.prescription import Zero
    >>> source = parse_toml("[bite]\nprotruded = 6.4  # gauge 2\n", "rx.toml")
    >>> with_bite(source, Bite(Zero.RETRUDED, Decimal("7.15"), Decimal("2.9")))
    '[bite]\nprotruded = 7.15  # gauge 2\n'
    """
    changes: dict[_Path, Decimal] = {
        ("bite", name): value for name, value in _wanted(bite).items()
        if _stored(source, name) != value
    }
    changes |= {
        ("appliance", str(side), "pin_distance"): value
        for side, value in (distances or {}).items()
    }
    if not changes:
        return source.text
    text = _changed(source, changes)
    expected = deepcopy(source.data)
    _put(expected, changes)
    if parse_toml(text, source.name).data != expected:
        raise InputError(
            "the readings cannot be changed without changing other keys; write the new revision "
            f"by hand, with {_listed(changes)}",
            field="bite", where=source.name,
        )
    return text


def with_values(source: TomlSource, values: Mapping[tuple[str | int, ...], str | None]) -> str:
    r"""Write a prescription with other values at some keys; all else stays as it was written.

    Args:
        values: Each by its place, as TOML; None takes the key out.

    Raises:
        InputError: The text could not be changed.

    >>> source = parse_toml("case = 'QF-1'  # ours\n[bite]\nretruded = -5.2\n", "rx.toml")
    >>> with_values(source, {("bite", "retruded"): "-5.0", ("bite", "habitual"): None})
    "case = 'QF-1'  # ours\n[bite]\nretruded = -5.0\n"
    """
    try:
        document = tomlkit.parse(source.text)
        for path, value in values.items():
            table: Any = document
            for name in path[:-1]:
                table = table.get(name, {}) if value is None else table.setdefault(name, {})
            if value is None:
                table.pop(path[-1], None)
            else:
                table[path[-1]] = tomlkit.parse(f"x = {value}")["x"]
        text = tomlkit.dumps(document)
    except (TOMLKitError, TypeError) as error:
        raise InputError(
            f"cannot be rewritten ({error}); write the new revision by hand",
            field="prescription", where=source.name,
        ) from error
    return text if text.endswith("\n") else f"{text}\n"


def _wanted(bite: Bite) -> dict[str, Decimal]:
    return {"protruded": bite.protruded, "midline_deviation": bite.midline_deviation_mm}


def _stored(source: TomlSource, name: str) -> Any:
    """Give a reading as stored; a midline deviation that is not written is 0."""
    table = source.data.get("bite")
    if not isinstance(table, dict) or "protruded" not in table:
        raise InputError(
            "has no [bite] with a protruded reading, so it is not a prescription of this program",
            field="bite.protruded", where=source.name,
        )
    return table.get(name, 0)


def _table(content: Any, path: _Path) -> Any:
    """Give the table that holds a key; a side's own one is added where it is not there."""
    for name in path[:-1]:
        content = content[name] if name in content else content.setdefault(name, {})
    return content


def _put(content: Any, changes: Mapping[_Path, Any]) -> None:
    """Put values in their places; one distance for both sides gives way to one for each."""
    for path, value in changes.items():
        _table(content, path)[path[-1]] = value
    if any(path[-1] == "pin_distance" for path in changes):
        content["appliance"].pop("pin_distance", None)


def _changed(source: TomlSource, changes: Mapping[_Path, Decimal]) -> str:
    try:
        document = tomlkit.parse(source.text)
        _put(document, {path: tomlkit.value(plain(value)) for path, value in changes.items()})
        return tomlkit.dumps(document)
    except (TOMLKitError, TypeError) as error:
        raise InputError(
            f"cannot be rewritten ({error}); write the new revision by hand, with "
            f"{_listed(changes)}",
            field="bite", where=source.name,
        ) from error


def _listed(changes: Mapping[_Path, Decimal]) -> str:
    return " and ".join(
        f"{path[-1]} = {plain(value)} in [{'.'.join(path[:-1])}]" for path, value in changes.items()
    )
