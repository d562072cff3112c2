"""Prescriptions as texts, one by one or a row each in a table: read into prescription files."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum
from functools import cache, partial
from types import MappingProxyType
from typing import Any, get_origin

from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.core.form.keys import Entry, Key, file_keys
from labkit.core.form.words import Location, shown, unknown_key
from labkit.core.grading.prescription import Prescription
from labkit.errors import InputError, InputErrors, LabkitError
from labkit.tables.cells import day, number, one_of, whole, words
from labkit.tables.columns import Column, read_columns, row_values
from labkit.tables.values import Cell, Mistakes, TableFile, place, problem
from labkit.units import plain

#: A number whose key names no bounds of its own is bounded by the steps' rules later.
_WIDEST = 1_000_000
#: Between the numbers of one cell; a comma without a space after it is a decimal comma.
BETWEEN = re.compile(r"[;\s]+|,\s+")
_YES = MappingProxyType({"yes": True, "no": False, "true": True, "false": False})
#: Columns that every row needs; what else is needed is reported by the prescription's own reader.
NEEDED = ("case", "date", "zero", "protruded", "registered", "action", "template")


@dataclass(frozen=True)
class TextSource(TomlSource):
    """A prescription put together from texts; mistakes are told where the texts stood.

    Args:
        places: Where the text of each key stood, by its location.
    """

    places: Mapping[Location, str] = field(default_factory=dict, repr=False)

    def place(self, location: Location) -> str:
        """Give where a key's text stood; of one that was not told, where all of them stand."""
        for length in range(len(location), 0, -1):
            if location[:length] in self.places:
                return self.places[location[:length]]
        return self.name


@cache
def text_keys() -> Mapping[str, tuple[Location, Entry]]:
    """Give every key of a prescription under the name of its column.

    Returns:
        Name, the key without its first table, such as "retruded" or "left.upper" → where it
        stands in a file, and its form.
    """
    return {".".join(map(str, at[1:] or at)): (at, entry)
            for at, entry in _leaves(file_keys(Prescription), ())}


def _leaves(keys: Mapping[str, Entry], above: Location) -> Iterator[tuple[Location, Entry]]:
    for name, entry in keys.items():
        if entry.inside:
            yield from _leaves(entry.inside, (*above, name))
        elif entry.members:
            yield from _leaves(file_keys(entry.members[0]), (*above, name))
        else:
            yield (*above, name), entry


def texts_of(source: TomlSource) -> dict[str, str]:
    """Give a prescription file as texts, by the names of their columns; other keys are left out."""
    found = {}
    for name, (at, _) in text_keys().items():
        value: Any = source.data
        for part in at:
            value = value.get(part) if isinstance(value, dict) else None
        if value is not None:
            found[name] = _text(value)
    return found


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):  # the two sides of one key
        value = [value[side] for side in ("left", "right") if side in value]
    if isinstance(value, list):
        return "; ".join(map(_text, value))
    return plain(value) if isinstance(value, Decimal) else " ".join(str(value).split())


def columns() -> tuple[Column, ...]:
    """Give the columns of a table of prescriptions."""
    return tuple(
        Column(name, entry.key.about, _reader(entry), sign=kind_of(entry) in (float, Decimal))
        for name, (_, entry) in text_keys().items()
    )


def read_texts(texts: Mapping[str, Any], name: str) -> TextSource:
    """Read one prescription whose numbers stand as they were typed.

    Args:
        texts: By the names of the columns.
        name: File, for sentences.

    Raises:
        InputErrors: A name is not known, or a text cannot be read.
    """
    table = TableFile(name, (), (), ";", "", proven=True)
    values, wrong = dict[str, Any](), list[LabkitError]()
    for key, text in texts.items():
        try:
            values[key] = _value(key, text, table)
        except InputError as error:
            wrong.append(InputError(error.message, field=key, where=f"{name}, {shown(key)}"))
    if wrong:
        raise InputErrors(tuple(wrong))
    places = {text_keys()[key][0]: f"{name}, {key}" for key in values}
    return _source(values, name, places)


def _value(key: str, text: Any, table: TableFile) -> Any:
    if key not in text_keys():
        raise InputError(unknown_key(key, text_keys()))
    if not isinstance(text, str):
        raise InputError(f"= {shown(text)} is not usable; allowed is a text")
    return _reader(text_keys()[key][1])(Cell(text.strip(), 0, 0, key), table)


def read_prescription_table(raw: bytes, name: str) -> tuple[TextSource, ...]:
    """Read a table of prescriptions, one a row.

    Raises:
        InputErrors: Every cell that cannot be read, with line and column.
    """
    every = columns()
    table = read_columns(raw, name, every, NEEDED)
    mistakes, found = Mistakes(), []
    for row in table.rows:
        values = row_values(row, table, every, mistakes)
        if values is not None:
            told = {key: value for key, value in values.items() if value is not None}
            places = {text_keys()[key][0]: place(name, row[key]) for key in told}
            line = next(iter(row.values())).line
            found.append(_source(told, f"{name}:{line}", places))
    mistakes.stop()
    return tuple(found)


def _source(
    values: Mapping[str, Any], name: str, places: Mapping[Location, str]
) -> TextSource:
    """Put a prescription file together from the values of its keys."""
    data: dict[str, Any] = {"schema": 1}
    for key, value in values.items():
        *tables, last = text_keys()[key][0]
        table = data
        for part in tables:
            table = table.setdefault(str(part), {})
        table[str(last)] = value
    text = "\n".join(_lines(data, ())) + "\n"
    read = parse_toml(text, name)
    return TextSource(name, text, read.data, read.lines, places)


def _lines(data: Mapping[str, Any], above: tuple[str, ...]) -> Iterator[str]:
    """Write TOML: keys before tables, since what follows a table's heading is in it."""
    inner = {name: value for name, value in data.items() if isinstance(value, dict)}
    for name, value in data.items():
        if name not in inner:
            yield f"{name} = {toml_value(value)}"
    for name, value in inner.items():
        yield ""
        yield f"[{'.'.join((*above, name))}]"
        yield from _lines(value, (*above, name))


def toml_value(value: Any) -> str:
    """Write one value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
    return plain(value) if isinstance(value, (float, Decimal)) else str(value)


def kind_of(entry: Entry) -> Any:
    """Give the type of a key's value, of a list `tuple`."""
    return get_origin(entry.kind) or entry.kind


def _reader(entry: Entry) -> Callable[[Cell, TableFile], Any]:
    """Say how the text of a key is read."""
    kind, key = kind_of(entry), entry.key
    low, high = bounds_of(key)
    if kind is tuple:
        return partial(_numbers, bounds=(low, high), key=key)
    if kind is int:
        return partial(whole, low=int(low), high=int(high))
    if kind in (float, Decimal):
        return partial(number, low=low, high=high)
    if kind is bool:
        return _yes
    if isinstance(kind, type) and issubclass(kind, Enum):
        return partial(one_of, known=[str(one.value) for one in kind])
    if kind is str:
        return partial(words, most=key.most)
    return day


def bounds_of(key: Key) -> tuple[float, float]:
    """Give the least and the greatest number that a key may have."""
    low = -_WIDEST if key.low is None else key.low
    return low, _WIDEST if key.high is None else key.high


def _yes(cell: Cell, table: TableFile) -> bool:
    return _YES[one_of(cell, table, list(_YES))]


def _numbers(
    cell: Cell, table: TableFile, bounds: tuple[float, float], key: Key
) -> list[Decimal] | Decimal:
    """Read several numbers in one cell; one alone where it may stand for both sides."""
    parts = [part for part in BETWEEN.split(cell.text.strip("[] ")) if part]
    if not 1 <= len(parts) <= key.most:
        raise problem(
            cell, table, f"has {len(parts)} numbers; give them with semicolons between, such as "
            "50; 62.5; 75",
        )
    each = (Cell(part, cell.line, cell.column, cell.name) for part in parts)
    loose = TableFile(table.name, (), (), table.delimiter, "", proven=True)
    numbers = [number(one, loose, *bounds) for one in each]
    return numbers[0] if len(numbers) == 1 and key.tidy is not None else numbers
