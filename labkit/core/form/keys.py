"""What each field of a value is in a file: key, unit, range, words, default."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass
from decimal import Decimal
from functools import cache, cached_property
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from labkit.core.jsonable import names_of_text

#: Units that end the names of fields and are left out of the keys of files.
UNITS = ("_mm", "_deg")
#: No text has more characters and no list more members, where its key says nothing.
MOST = 10_000
#: The default of a field that has none.
NO_DEFAULT: Any = ...


@dataclass(frozen=True)
class Key:
    """The form of one field; everything it does not say follows from the field's type.

    Args:
        allowed: What may stand there, a phrase that fits after "allowed is"; told from type and
            limits where empty.
        at: Dotted place in a file, where it is not the field's name without its unit.
        low, high: Least and greatest number, both included, also of each number in a list.
        least, most: Fewest and most characters of a text, or members of a list.
        choices: The only texts allowed.
        holds: What else a value that is read must be.
        tidy: Brings other ways to write a value in a file to the one that is read.
        required: Whether a file must tell it although the value has a default.
        in_files: Whether a file can tell it; else it is worked out (`from_file`).
        otherwise: What holds where the key is absent, in words; the default where empty.
    """

    about: str = ""
    allowed: str = ""
    unit: str = ""
    at: str = ""
    low: float | None = None
    high: float | None = None
    least: int = 0
    most: int = MOST
    choices: tuple[str, ...] = ()
    holds: Callable[[Any], object] | None = None
    tidy: Callable[[object], object] | None = None
    required: bool = False
    in_files: bool = True
    otherwise: str = ""


#: A field that a file does not tell: the class works it out when it is read (`from_file`).
WORKED_OUT = Key(in_files=False)


def quantity(about: str, low: float, high: float, unit: str = "mm", **more: Any) -> Key:
    """Describe a number with its range, both ends included.

    Args:
        unit: Its unit, empty for a plain number.
    """
    return Key(about, unit=unit, low=low, high=high, **more)


def matching(pattern: str) -> Callable[[str], object]:
    """Ask that a text matches a regular expression as a whole."""
    return re.compile(pattern).fullmatch


def exact(value: float | Decimal) -> Decimal:
    """Take a number as it is written, without trailing zeros.

    >>> exact(70.0), exact(0.1)
    (Decimal('70'), Decimal('0.1'))
    """
    return Decimal(repr(value) if isinstance(value, float) else value).normalize() + 0


#: What a template, a process or an instrument is called by.
NAME = r"^[a-z0-9][a-z0-9-]{0,39}$"
NAME_WORDS = "lower-case letters, digits and hyphens, 1 to 40 characters"


def name_key(about: str) -> Key:
    """Describe the name of a template, a process or an instrument."""
    return Key(about, NAME_WORDS, holds=matching(NAME))


@dataclass(frozen=True)
class Entry:
    """One key of a table.

    Args:
        field: Name of the field, empty where the key is a table that only groups keys.
        kind: Its type, without None.
        optional: Whether it may be None.
        default: Value where the key is absent; NO_DEFAULT where it has none.
        inside: Keys of a table that only groups keys.
        texts: Names under which a record has it as text.
    """

    field: str
    kind: Any
    key: Key
    optional: bool = False
    default: Any = NO_DEFAULT
    inside: Mapping[str, Entry] = dataclasses.field(default_factory=dict)
    texts: tuple[str, ...] = ()

    @cached_property
    def members(self) -> tuple[type, ...]:
        """The classes of values that may stand here; none for numbers, texts and lists."""
        kinds = get_args(self.kind) if _is_union(self.kind) else (self.kind,)
        return tuple(one for one in kinds if _is_value(one))

    @cached_property
    def origin(self) -> Any:
        """What its type is of, such as `tuple`; None where it stands for itself."""
        return get_origin(self.kind)

    @cached_property
    def required(self) -> bool:
        """Whether a file must have the key."""
        if self.inside:
            return any(one.required for one in self.inside.values())
        return self.key.required or (self.default is NO_DEFAULT and not self.optional)


@cache
def entries(cls: type) -> tuple[Entry, ...]:
    """Give the form of every field of a class, in their order."""
    hints = get_type_hints(cls, include_extras=True)
    return tuple(
        dataclasses.replace(
            _entry(field.name, hints[field.name], _default(field)), texts=names_of_text(field)
        )
        for field in dataclasses.fields(cls)
    )


@cache
def file_keys(cls: type) -> Mapping[str, Entry]:
    """Give the keys of a class in a file: those of its fields, and those in its FILE_ONLY.

    Returns:
        Key → what stands there; plain keys before tables, as TOML wants them. What is in files
        only stands where the first field stands that is worked out of it.
    """
    told: Mapping[str, Any] = getattr(cls, "FILE_ONLY", {})
    only = [_entry(name, hint, NO_DEFAULT) for name, hint in told.items()]
    every = entries(cls)
    first = next((n for n, one in enumerate(every) if not one.key.in_files), len(every))
    return _tree([*every[:first], *only, *(one for one in every[first:] if one.key.in_files)])


@cache
def record_keys(cls: type) -> Mapping[str, Entry]:
    """Give the keys of a class in a record: the names of its fields, and those in its ALSO.

    What is ALSO in some records follows from the fields, and is not read.
    """
    also = [*getattr(cls, "ALSO", ()), *(name for one in entries(cls) for name in one.texts[1:])]
    told = {one.texts[0] if one.texts else one.field: one for one in entries(cls)}
    return {**told, **{name: Entry("", object, Key(), default=None) for name in also}}


def tag_of(cls: type) -> str:
    """Give the word that tells a class from the others that may stand in its place."""
    return str(getattr(cls, "kind", "") or getattr(cls, "shape", ""))


def _default(field: dataclasses.Field[Any]) -> Any:
    if field.default_factory is not MISSING:
        return field.default_factory()
    return NO_DEFAULT if field.default is MISSING else field.default


def _entry(name: str, hint: Any, default: Any) -> Entry:
    """Take a field's type apart: its form, whether it may be None, what it is."""
    hint, key = _noted(hint, Key())
    optional = _is_union(hint) and NoneType in get_args(hint)
    if optional:
        hint = Union[tuple(one for one in get_args(hint) if one is not NoneType)]  # noqa: UP007
        hint, key = _noted(hint, key)
    return Entry(name, hint, key, optional, default)


def _noted(hint: Any, key: Key) -> tuple[Any, Key]:
    if get_origin(hint) is not Annotated:
        return hint, key
    hint, *notes = get_args(hint)
    return hint, next((one for one in notes if isinstance(one, Key)), key)


def _is_value(kind: Any) -> bool:
    return isinstance(kind, type) and dataclasses.is_dataclass(kind)


def _is_union(kind: Any) -> bool:
    return get_origin(kind) in (Union, UnionType)


def _tree(found: Iterable[Entry]) -> Mapping[str, Entry]:
    """Sort entries into the tables that they stand in."""
    level: dict[str, list[tuple[tuple[str, ...], Entry]]] = {}
    for one in found:
        head, *rest = (one.key.at or file_key(one.field)).split(".")
        level.setdefault(head, []).append((tuple(rest), one))
    keys = {name: _grouped(members) for name, members in level.items()}
    return dict(sorted(keys.items(), key=lambda item: bool(item[1].inside or item[1].members)))


def _grouped(members: list[tuple[tuple[str, ...], Entry]]) -> Entry:
    rest, first = members[0]
    if not rest:
        return first
    inner = (
        dataclasses.replace(one, key=dataclasses.replace(one.key, at=".".join(course)))
        for course, one in members
    )
    return Entry("", dict, Key(), inside=_tree(inner))


def file_key(field: str) -> str:
    """Give the key of a field in files, which has no unit.

    >>> file_key("condylar_inclination_deg")
    'condylar_inclination'
    """
    for unit in UNITS:
        field = field.removesuffix(unit)
    return field
