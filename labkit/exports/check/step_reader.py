"""Reading a STEP file strictly into its entities; nothing here is shared with the writing."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from labkit.errors import InputError
from labkit.exports.check.step_grammar import (
    EMPTY,
    FRAME,
    LENGTH,
    STRING,
    UNNAMED,
    Form,
    forms,
)

_LIST = rf"\({STRING}(?:,{STRING})*\)"
#: A whole file without the space between its tokens, sections in the order of ISO 10303-21.
_WHOLE = re.compile(
    rf"ISO-10303-21;HEADER;FILE_DESCRIPTION\({_LIST},'2;1'\);"
    rf"FILE_NAME\({STRING},(?P<time>{STRING}),{_LIST},{_LIST},{STRING},{STRING},{STRING}\);"
    rf"FILE_SCHEMA\(\('(?P<schema>[^']*)'\)\);ENDSEC;DATA;(?P<data>.*)ENDSEC;END-ISO-10303-21;",
    re.DOTALL,
)
_STRINGS = re.compile("('[^']*')")
_TORN = re.compile(" (?<=[^,()=;] )[^,()=;]")
_ENTITY = re.compile(r"#([1-9][0-9]*)=([A-Z0-9_]*)\(([^;]*)\);")
_PARTS = re.compile(r"([A-Z_]{4,})\(")

#: A value of an entity: a number or word as written, the number of what it refers to in its
#: table, or the numbers of a list.
Column = tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """All entities of one kind.

    Args:
        ids: Their numbers in the file, without #.
        columns: What they hold, one tuple for each value or reference that their form has.
    """

    ids: Column
    columns: tuple[Column, ...]


@dataclass(frozen=True)
class StepFile:
    """A STEP file, read.

    Args:
        name: Name of the file, for sentences.
        time_stamp: Time in FILE_NAME, as written.
        tables: Every kind of entity that a rod's file may hold; empty tables where there is none.
    """

    name: str
    schema: str
    time_stamp: str
    tables: dict[str, Table]

    @property
    def complete(self) -> bool:
        """Whether header, data and end are there, in order: else it is not read at all."""
        return bool(self.schema and self.tables)

    @property
    def length_units(self) -> tuple[str, ...]:
        """Give the length unit, such as (".MILLI.,.METRE.",)."""
        return tuple(sorted({",".join(unit) for unit in zip(*self.tables[LENGTH].columns,
                                                             strict=True)}))


def read_step(path: Path) -> StepFile:
    """Read a STEP file that holds what a rod's file may hold, and nothing else.

    Every entity is of a known kind, written in full, and referred to by another one; every
    reference leads to an entity of the right kind. What stands round the solid is there once.

    Raises:
        InputError: The file cannot be read so; the sentence says where.

    Source: ISO 10303-21 (tokens, sections and their order).
    """
    whole = _WHOLE.fullmatch(_compact(_text(path)))
    if whole is None:
        raise InputError(
            f"{path.name} is not a whole STEP file (header, data, end, as ISO 10303-21 has them); "
            "write it again",
            where=path.name,
        )
    try:
        tables = _tables(whole["data"])
        _check_frame(tables)
        _check_references(tables)
    except _StepFault as fault:
        raise InputError(
            f"{path.name} holds no solid that can be read back: {fault}; write it again",
            where=path.name,
        ) from None
    time = whole["time"].strip("'").replace(EMPTY, "")
    return StepFile(path.name, whole["schema"], time, tables)


class _StepFault(ValueError):
    """What is wrong with the entities of a file."""


def _text(path: Path) -> str:
    try:
        text = path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{path.name} cannot be read as a STEP text file: {error}; write it again",
            where=path.name,
        ) from None
    return text.replace(EMPTY, "?")


def _compact(text: str) -> str:
    """Take out the space between tokens and write empty strings as one character.

    >>> _compact("#1 = PLANE('', #2);").replace(EMPTY, "~")
    '#1=PLANE(~,#2);'
    """
    pieces = _STRINGS.split(text.replace("''", EMPTY))
    between = [" ".join(piece.split()) for piece in pieces[::2]]
    if any(_TORN.search(piece) for piece in between):
        return ""  # space within a token
    pieces[::2] = [piece.replace(" ", "") for piece in between]
    return "".join(pieces)


def _tables(data: str) -> dict[str, Table]:
    found = _ENTITY.findall(data)
    if sum(map(len, chain.from_iterable(found))) + 5 * len(found) != len(data):
        raise _StepFault("between its entities is something that is none")
    rows: dict[str, tuple[list[str], list[str]]] = defaultdict(lambda: ([], []))
    for number, keyword, values in found:
        ids, texts = rows[keyword or "+".join(_PARTS.findall(values))]
        ids.append(number)
        texts.append(values)
    if len({one[0] for one in found}) != len(found):
        raise _StepFault("two entities have one number")
    unknown = rows.keys() - forms().keys()
    if unknown:
        keyword = min(unknown)
        raise _StepFault(f"#{rows[keyword][0][0]} is {keyword or 'nothing'}, which no rod has")
    return {
        keyword: _table(keyword, form, *rows.get(keyword, ([], [])))
        for keyword, form in forms().items()
    }


def _table(keyword: str, form: Form, ids: list[str], texts: list[str]) -> Table:
    values = form.pattern.findall("\n".join(texts)) if texts else []
    if len(values) != len(ids):
        wrong = next(i for i, text in zip(ids, texts, strict=True) if not form.pattern.match(text))
        raise _StepFault(f"#{wrong} is not written as every {keyword} is")
    if len(form.kinds) < 2:
        return Table(tuple(ids), (tuple(values),) * len(form.kinds))
    columns = tuple(zip(*values, strict=True)) if values else ((),) * len(form.kinds)
    return Table(tuple(ids), columns)


def _check_frame(tables: dict[str, Table]) -> None:
    for keyword in FRAME:
        count = len(tables[keyword].ids)
        if count != 1:
            raise _StepFault(f"it has {count} of {keyword} and must have one")


def _check_references(tables: dict[str, Table]) -> None:
    used: set[str] = set()
    ids = {keyword: set(table.ids) for keyword, table in tables.items()}
    for keyword, form in forms().items():
        for kinds, column in zip(form.kinds, tables[keyword].columns, strict=True):
            if kinds:
                used |= _references(keyword, column, [ids[kind] for kind in kinds])
    for keyword, named in ids.items():
        lost = set() if keyword in UNNAMED else named - used
        if lost:
            raise _StepFault(f"nothing refers to #{min(lost, key=int)}, a {keyword}")


def _references(keyword: str, column: Column, targets: list[set[str]]) -> set[str]:
    """List what a column refers to, all of it of the kinds that may stand there."""
    named = set(column)
    if column and column[0].startswith("#"):
        named = {one for text in named for one in text[1:].split(",#")}
    wrong = named.difference(*targets)
    if wrong:
        raise _StepFault(f"a {keyword} refers to #{min(wrong, key=int)}, which may not be there")
    return named
