"""Reads files and records into values; every mistake at once, each with its place and words."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import Enum
from typing import Any, TypeVar, get_args, get_origin

from labkit.core.form.keys import (
    MOST,
    NO_DEFAULT,
    Entry,
    Key,
    exact,
    file_keys,
    record_keys,
    tag_of,
)
from labkit.core.form.slips import slip_in
from labkit.core.form.words import Location, dotted, listed, shown, unknown_key
from labkit.errors import InputError

ValueT = TypeVar("ValueT")
#: A decimal as text: a length, as it is engraved.
_DIGITS = re.compile(r"\d{1,3}(\.\d{1,3})?")
#: The version of a file's form.
SCHEMA = Entry("", int, Key("version of this file's form", "1", holds=lambda value: value == 1))


class UnusableError(ValueError):
    """Content that is not what it should be."""


@dataclass(frozen=True)
class Mistake:
    """One thing that is wrong in a file.

    Args:
        message: Words that follow the name of the key.
    """

    location: Location
    message: str
    allowed: str


def read_file(
    cls: type[ValueT], data: Any, start: Location = ()
) -> tuple[ValueT | None, list[Mistake]]:
    """Read a file, or a table of it, that people write.

    Args:
        data: Content: tables, lists, texts, dates, whole numbers and decimals.
        start: Where the table stands; the whole file has a `schema`.

    Returns:
        The value, None where there are mistakes, and these.
    """
    reader = _FileReader()
    own: Any = cls
    keys = file_keys(own) if start else {"schema": SCHEMA, **file_keys(own)}
    value = reader.built(cls, keys, data, start)
    return (None if reader.mistakes else value), list(reader.mistakes.values())


def read_record(cls: type[ValueT], data: Any) -> tuple[ValueT | None, list[Mistake]]:
    """Read what `jsonable` made of a value.

    Returns:
        The value, None where there are mistakes, and these.
    """
    reader = _RecordReader()
    own: Any = cls
    value = reader.built(cls, record_keys(own), data, ())
    return (None if reader.mistakes else value), list(reader.mistakes.values())


def from_record(cls: type[ValueT], data: Any, what: str) -> ValueT:
    """Read what was recorded, or say what of it cannot be read.

    Args:
        what: What it is, such as "instrument".

    Raises:
        InputError: It is not what this version of the program records.
    """
    value, mistakes = read_record(cls, data)
    if value is None:
        field = dotted(mistakes[0].location)
        raise InputError(
            f"the {what} as recorded cannot be read: {field} {mistakes[0].message}; use the "
            "version of the program that recorded it",
            field=field,
        )
    return value


class _Reader:
    """What reading a file and reading a record have in common."""

    numbers: tuple[type, ...]
    date_words: str

    def __init__(self) -> None:
        self.mistakes: dict[Location, Mistake] = {}

    def keys_of(self, cls: type) -> Mapping[str, Entry]:
        raise NotImplementedError

    def build(self, cls: type[ValueT], given: dict[str, Any]) -> ValueT:
        return cls(**given)

    def absent(self, entry: Entry, place: Location) -> dict[str, Any]:
        """Give what stands for a key that is not there."""
        raise NotImplementedError

    def date(self, raw: object) -> datetime.date:
        raise NotImplementedError

    def text(self, raw: object) -> str:
        if not isinstance(raw, str):
            raise UnusableError
        return raw

    def say(self, place: Location, message: str, allowed: str) -> None:
        self.mistakes.setdefault(place, Mistake(place, message, allowed))

    def built(self, cls: type, keys: Mapping[str, Entry], data: Any, place: Location) -> Any:
        given = self.given(keys, data, place)
        return None if self.mistakes else self.build(cls, given)

    def given(self, keys: Mapping[str, Entry], data: Any, place: Location) -> dict[str, Any]:
        """Read the keys of a table that are there."""
        given: dict[str, Any] = {}
        if not isinstance(data, Mapping):
            self.say(place, f"= {shown(data)} is not usable; allowed is a table", "a table")
            return given
        for name, entry in keys.items():
            inner = (*place, name)
            if name not in data:
                given |= self.absent(entry, inner)
            elif entry.inside:
                given |= self.given(entry.inside, data[name], inner)
            else:
                value = self.value(entry, data[name], inner)
                if entry.field:
                    given[entry.field] = value
        for name in data:
            if name not in keys:
                self.say((*place, name), unknown_key(name, keys), "a known key")
        return given

    def value(self, entry: Entry, raw: Any, place: Location) -> Any:
        """Read one key; what is wrong is noted."""
        if raw is None and entry.optional:
            return None
        tidy = entry.key.tidy
        told, raw = raw, raw if tidy is None else tidy(raw)
        if members := entry.members:
            return self.member(entry, members, raw, place)
        if entry.kind is object:
            return raw
        if entry.origin is tuple:
            return self.items(entry, raw, place, as_told=told is raw)
        return self.leaf(entry, entry.origin or entry.kind, raw, place)

    def member(self, entry: Entry, members: tuple[type, ...], raw: Any, place: Location) -> Any:
        cls = members[0] if len(members) == 1 else self.chosen(members, raw)
        if cls is None or not isinstance(raw, Mapping):
            self.wrong(entry, raw, place)
            return None
        keys = self.keys_of(cls)
        if len(members) > 1 and "kind" in raw:
            raw = {name: value for name, value in raw.items() if name != "kind"}
        return self.built(cls, keys, raw, place)

    def chosen(self, members: tuple[type, ...], raw: Any) -> type | None:
        """Pick the class that a table names by its kind, or else by its keys."""
        if not isinstance(raw, Mapping):
            return None
        if "kind" in raw:
            return next((one for one in members if tag_of(one) == raw["kind"]), None)
        return max(members, key=lambda one: len(self.keys_of(one).keys() & raw.keys()))

    def items(self, entry: Entry, raw: Any, place: Location, *, as_told: bool) -> Any:
        kinds = get_args(entry.kind)
        many = kinds[-1] is Ellipsis
        fits = isinstance(raw, list) and (
            entry.key.least <= len(raw) <= entry.key.most if many else len(raw) == len(kinds)
        )
        if not fits:
            self.wrong(entry, raw, place)
            return None
        key = replace(entry.key, allowed=self.allowed(entry, place), tidy=None, least=0, most=MOST)
        one = Entry(entry.field, kinds[0], key)
        places = ((*place, index) if as_told else place for index, _ in enumerate(raw))
        return tuple(self.value(one, *item) for item in zip(raw, places, strict=True))

    def leaf(self, entry: Entry, kind: Any, raw: Any, place: Location) -> Any:
        try:
            value = self.read(kind, raw)
            if not _fits(entry.key, value):
                raise UnusableError
        except (ValueError, ArithmeticError):
            self.wrong(entry, raw, place)
            return None
        return value

    def read(self, kind: Any, raw: Any) -> Any:
        """Read a number, text, date, truth or word of a list of words.

        Raises:
            ValueError: It is something else.
        """
        if issubclass(kind, Enum):
            return kind(self.text(raw))
        if kind is dict and isinstance(raw, dict):
            return raw
        if kind is bool and isinstance(raw, bool):
            return raw
        if kind is int and type(raw) is int:
            return raw
        if kind in (float, Decimal) and type(raw) in self.numbers and math.isfinite(float(raw)):
            return float(raw) if kind is float else _decimal(raw)
        if kind is str:
            return self.text(raw)
        if kind is datetime.date:
            return self.date(raw)
        raise UnusableError

    def wrong(self, entry: Entry, raw: Any, place: Location) -> None:
        allowed = self.allowed(entry, place)
        self.say(place, f"= {shown(raw)} is not usable; allowed is {allowed}", allowed)

    def missing(self, entry: Entry, place: Location) -> None:
        allowed = self.allowed(entry, place)
        self.say(place, f"is missing; give {allowed}", allowed)

    def allowed(self, entry: Entry, place: Location) -> str:
        return allowed_words(entry, place, self.date_words)


class _FileReader(_Reader):
    """Reads what people write: keys without units, exact decimals, nothing unknown."""

    numbers = (int, Decimal)
    date_words = "a date such as 2031-03-14, without quotes"

    def keys_of(self, cls: type) -> Mapping[str, Entry]:
        return file_keys(cls)

    def build(self, cls: type[ValueT], given: dict[str, Any]) -> ValueT:
        make: Callable[..., ValueT] = getattr(cls, "from_file", cls)
        return make(**given)

    def absent(self, entry: Entry, place: Location) -> dict[str, Any]:
        if self.may_be_empty(entry):
            return {entry.field: self.value(entry, {}, place)}
        if entry.required:
            self.missing(entry, place)
        elif entry.inside:
            return self.given(entry.inside, {}, place)
        elif entry.optional and entry.default is NO_DEFAULT:
            return {entry.field: None}
        return {}

    def may_be_empty(self, entry: Entry) -> bool:
        """Tell whether an absent table is one in which nothing has to stand."""
        single = len(entry.members) == 1 and not entry.optional and not entry.key.required
        return single and not any(
            one.required for one in file_keys(entry.members[0]).values()
        )

    def text(self, raw: object) -> str:
        if not isinstance(raw, str) or not raw.strip() or raw != raw.strip():
            raise UnusableError
        return raw

    def date(self, raw: object) -> datetime.date:
        if isinstance(raw, datetime.datetime) or not isinstance(raw, datetime.date):
            raise UnusableError
        return raw

    def wrong(self, entry: Entry, raw: Any, place: Location) -> None:
        if not _unfilled(raw):
            super().wrong(entry, raw, place)
            self._right_way(entry, raw, place)
            return
        # A point with nan in it is one thing to fill in.
        whole = place[:-1] if isinstance(place[-1], int) else place
        allowed = self.allowed(entry, whole)
        nan = " (nan is no number)" if isinstance(raw, Decimal) else ""
        self.say(whole, f"is still to be filled in{nan}; give {allowed}", allowed)


    def _right_way(self, entry: Entry, raw: Any, place: Location) -> None:
        """Add how a number or date is written that stands in quotes, with a slip or without."""
        if isinstance(raw, str) and entry.kind in (int, float, Decimal, datetime.date):
            slip = slip_in(raw)
            right = slip.right if slip else raw if _DIGITS.fullmatch(raw.removeprefix("-")) else ""
            told = self.mistakes[place]
            if right and told.message.startswith(f"= {shown(raw)} "):
                quotes = "" if "without quotes" in told.message else ", without quotes"
                words = f"{told.message}; write {right}{quotes}"
                self.mistakes[place] = replace(told, message=words)


class _RecordReader(_Reader):
    """Reads what the program wrote: keys as the fields are named."""

    numbers = (int, float, Decimal)
    date_words = "a date such as 2031-03-14"

    def keys_of(self, cls: type) -> Mapping[str, Entry]:
        return record_keys(cls)

    def absent(self, entry: Entry, place: Location) -> dict[str, Any]:
        if entry.default is NO_DEFAULT:
            self.say(place, "is missing", self.allowed(entry, place))
        return {}

    def given(self, keys: Mapping[str, Entry], data: Any, place: Location) -> dict[str, Any]:
        found = super().given(keys, data, place)
        for entry in keys.values():
            for name in entry.texts[1:]:  # the same text under each
                if isinstance(data, Mapping) and data.get(name) != data.get(entry.texts[0]):
                    self.wrong(entry, data.get(name), (*place, name))
        return found

    def value(self, entry: Entry, raw: Any, place: Location) -> Any:
        if raw is None and entry.key.otherwise:
            return entry.default  # what was not told, and is not computed with
        if entry.texts and not (isinstance(raw, str) and _DIGITS.fullmatch(raw)):
            self.wrong(entry, raw, place)
            return None
        if hasattr(entry.kind, "of_record"):
            return entry.kind.of_record(raw)
        return super().value(entry, Decimal(raw) if entry.texts else raw, place)

    def date(self, raw: object) -> datetime.date:
        return datetime.date.fromisoformat(self.text(raw))


def allowed_words(entry: Entry, place: Location, date_words: str) -> str:
    """Say what may stand at a key, from its words, its limits or its type."""
    key, kind = entry.key, entry.kind
    if key.allowed:
        return key.allowed
    if entry.inside or len(entry.members) == 1:
        return f"a table [{dotted(tuple(part for part in place if isinstance(part, str)))}]"
    if entry.members:
        return f"{listed(map(tag_of, entry.members))} as kind, with its sizes"
    if get_origin(kind) is tuple:
        return "a list of texts" if get_args(kind)[0] is str else "a list of numbers"
    if key.choices:
        return listed(key.choices)
    if issubclass(kind, Enum):
        return listed(str(one.value) for one in kind)
    if kind in (int, float, Decimal):
        return _number_words(key, kind)
    return {bool: "true or false", datetime.date: date_words}.get(kind, "text")


def _number_words(key: Key, kind: type) -> str:
    number = "a whole number" if kind is int else "a number"
    unit = f" in {key.unit}" if key.unit else ""
    limits = "" if key.low is None else f" from {key.low:g} to {key.high:g}"
    if kind is int and key.low is not None:
        limits = f" from {key.low} to {key.high}"
    return f"{number}{unit}{limits}"


def _decimal(raw: float | Decimal) -> Decimal:
    return exact(raw) if isinstance(raw, float) else Decimal(raw)


def _fits(key: Key, value: Any) -> bool:
    if isinstance(value, str):
        within = key.least <= len(value) <= key.most
        return within and (not key.choices or value in key.choices) and _holds(key, value)
    if isinstance(value, (int, float, Decimal)) and not isinstance(value, bool):
        number = exact(value)
        low_enough = key.high is None or number <= exact(key.high)
        return low_enough and (key.low is None or number >= exact(key.low)) and _holds(key, value)
    return _holds(key, value)


def _holds(key: Key, value: Any) -> bool:
    return key.holds is None or bool(key.holds(value))


def _unfilled(value: object) -> bool:
    """Tell whether a value is one of the placeholders of a blank file."""
    return value in ("", []) or (isinstance(value, Decimal) and value.is_nan())
