"""Reads TOML with exact decimals and remembers on which line each key stands."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any

from labkit.core.form.numbers import exact_number
from labkit.core.form.slips import slip_in
from labkit.core.form.words import Location, dotted
from labkit.errors import InputError

#: A prescription or a template is a page of text; anything larger is the wrong file.
MOST_BYTES = 1_000_000
#: Digits of a whole number.
MOST_DIGITS = 20

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+))*)\s*="""
)
#: It begins where a bare word does, and takes each word whole: a long one is looked at once.
_DEEP_KEY = re.compile(
    r"""(?<![A-Za-z0-9_-])(?:(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]++)[ \t]*+\.[ \t]*+){100}"""
)
#: TOML takes them written as \u001b; a new line and a tab are text.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
_SYNTAX_LINE = re.compile(r"\(at line (\d+), column \d+\)|\(at end of document\)")


@dataclass(frozen=True)
class TomlSource:
    """One TOML file as read.

    Args:
        name: File name for messages, "standard input" for `-`.
        data: Parsed content, numbers with a point as Decimal.
        lines: Line number of every key and table header, by location.
    """

    name: str
    text: str
    data: dict[str, Any]
    lines: Mapping[Location, int] = field(repr=False)

    def line_of(self, location: Location) -> int:
        """Give the line of a key, or of the nearest enclosing table that has one."""
        for length in range(len(location), 0, -1):
            if location[:length] in self.lines:
                return self.lines[location[:length]]
        return 1

    def place(self, location: Location) -> str:
        """Give "file:line" of a key."""
        return f"{self.name}:{self.line_of(location)}"


class _Lines(Mapping[Location, int]):
    """Line numbers by location, looked for when one is asked for: most texts read have no slip."""

    def __init__(self, text: str) -> None:
        self._text = text

    @cached_property
    def _found(self) -> dict[Location, int]:
        return dict(_scan(self._text))

    def __getitem__(self, location: Location) -> int:
        return self._found[location]

    def __iter__(self) -> Iterator[Location]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)


def read_text(path: Path) -> str:
    """Read a text file as UTF-8.

    Returns:
        Its text, without a byte order mark.

    Raises:
        InputError: The file is missing, not readable, too large or not UTF-8.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror or error}); name a readable TOML file",
            where=str(path),
        ) from error
    return decode(raw, str(path))


def decode(raw: bytes, name: str) -> str:
    """Turn the bytes of a TOML file into text.

    Returns:
        Its text, without a byte order mark.

    Raises:
        InputError: Too large or not UTF-8.
    """
    if len(raw) > MOST_BYTES:
        raise InputError(
            f"is larger than {MOST_BYTES // 1_000_000} MB; name a TOML file of this program",
            where=name,
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            "is not UTF-8 text; save the file as UTF-8", where=f"{name}:{line}"
        ) from error


def parse_toml(text: str, name: str) -> TomlSource:
    r"""Parse TOML text.

    Returns:
        Content with line numbers.

    Raises:
        InputError: The text is not TOML, or a text in it has a control character; the message
            names the line.

    >>> parse_toml("[bite]\nretruded = -5.2", "rx.toml").place(("bite", "retruded"))
    'rx.toml:2'
    """
    _refuse_deep_keys(text, name)
    try:
        data = tomllib.loads(text, parse_float=_number)
    except RecursionError as error:
        raise InputError(
            "is not valid TOML: tables or lists are nested too deeply; name a file of this program",
            where=name,
        ) from error
    except InputError as error:  # of a number with a point
        where = text[: text.find(str(error.value))].count("\n") + 1
        raise InputError(error.message, where=f"{name}:{where}") from error
    except (tomllib.TOMLDecodeError, ValueError) as error:
        if not isinstance(error, tomllib.TOMLDecodeError):
            raise InputError(
                "is not valid TOML: a number or date in it cannot be read; a number has at most "
                "a few dozen digits, a date looks like 2031-03-14",
                where=name,
            ) from error
        raise _not_toml(text, name, str(error)) from error
    source = TomlSource(name, text, data, _Lines(text))
    for location, words in _texts(data, ()):
        if isinstance(words, int):
            raise InputError(
                f"{dotted(location)!r} is a whole number of more than {MOST_DIGITS} digits; "
                "no value here needs that many", where=source.place(location),
            )
        if found := _CONTROL.search(words):
            raise InputError(
                f"{dotted(location)!r} has the control character U+{ord(found[0]):04X} in its "
                "text, which a terminal or a picture could take for a command; take it out",
                where=source.place(location),
            )
    return source


def _texts(value: Any, location: Location) -> Iterator[tuple[Location, str | int]]:
    """Give every key, text and number that is too great to be written, with its place."""
    if isinstance(value, str) or (isinstance(value, int) and abs(value) >= 10**MOST_DIGITS):
        yield location, value
    pairs: Iterable[tuple[Any, Any]] = ()
    if isinstance(value, dict):
        pairs = value.items()
    elif isinstance(value, list):
        pairs = enumerate(value)
    for key, held in pairs:
        if isinstance(key, str):
            yield location, key
        yield from _texts(held, (*location, key))


def _not_toml(text: str, name: str, why: str) -> InputError:
    """Say what keeps a text from being TOML: the slip where it is a known one."""
    found = _SYNTAX_LINE.search(why)
    lines = text.splitlines()
    line = int(found.group(1)) if found and found.group(1) else text.count("\n") + 1
    slip: object = slip_in(_bare(lines[line - 1])) if line <= len(lines) else None
    if why.startswith(("Cannot overwrite", "Cannot declare")) and (twice := _twice(text)):
        slip, line = twice
    if slip is None:
        reason = _SYNTAX_LINE.sub("", why).strip()
        slip = f"is not valid TOML: {reason}; a line is `key = value`, with text in quotes"
    return InputError(str(slip), where=f"{name}:{line}")


def _bare(line: str) -> str:
    """Take the texts in quotes and the comment out of a line."""
    return re.sub(r"\"[^\"]*\"|'[^']*'|#.*", "", line).rstrip()


def _twice(text: str) -> tuple[str, int] | None:
    """Find the first key that stands twice: what to say, and the line of the second."""
    first: dict[Location, int] = {}
    lists = {_split(found.group(1)) for found in re.finditer(r"(?m)^\s*\[\[\s*(.+?)\s*\]\]", text)}
    for place, line in _scan(text):
        if place in first and place not in lists:
            return (
                f"{dotted(place)} is given twice, in lines {first[place]} and {line}; keep the one "
                "you mean"
            ), line
        first.setdefault(place, line)
    return None


def _number(text: str) -> Decimal:
    # What is no number is told with its key: `nan` stands in a blank file for "to be filled in".
    return Decimal(text) if text.lstrip("+-") in ("nan", "inf") else exact_number(
        text.replace("_", "")
    )


def _refuse_deep_keys(text: str, name: str) -> None:
    """Refuse keys of so many parts that reading them would not end."""
    found = _DEEP_KEY.search(text)
    if found:
        line = text[: found.start()].count("\n") + 1
        raise InputError(
            "has a key of more than a hundred parts between points; a key of this program has at "
            "most four, such as appliance.left.upper",
            where=f"{name}:{line}",
        )


def _scan(text: str) -> Iterator[tuple[Location, int]]:
    """Yield the location and line of each header and key; values that span lines are skipped."""
    table: Location = ()
    counts: dict[Location, int] = {}
    rest = _Continuation()
    for number, line in enumerate(text.splitlines(), 1):
        if rest.inside:
            rest.feed(line)
            continue
        if header := _HEADER.match(line):
            table = _split(header.group(2))
            if header.group(1) == "[[":
                counts[table] = counts.get(table, -1) + 1
                yield table, number
            table = _indexed(table, counts)
            yield table, number
        elif key := _KEY.match(line):
            yield table + _split(key.group(1)), number
            rest.feed(line[key.end() :])


def _split(dotted: str) -> Location:
    return tuple(
        part.strip().strip("\"'") for part in re.findall(r'"[^"]*"|\'[^\']*\'|[^.\s]+', dotted)
    )


def _indexed(table: Location, counts: dict[Location, int]) -> Location:
    """Insert the index of each array of tables along the way."""
    out: Location = ()
    for depth, part in enumerate(table, 1):
        out += (part,)
        if table[:depth] in counts:
            out += (counts[table[:depth]],)
    return out


class _Continuation:
    """Whether the value that was begun goes on in the next line."""

    def __init__(self) -> None:
        self._quote = ""
        self._depth = 0

    @property
    def inside(self) -> bool:
        return bool(self._quote) or self._depth > 0

    def feed(self, text: str) -> None:
        """Follow quotes and brackets through one line."""
        position = 0
        while position < len(text):
            token = self._token(text, position)
            if self._quote:
                if token == "\\" and self._quote.startswith('"'):
                    position += 1
                elif token == self._quote:
                    self._quote = ""
            elif token == "#":
                break
            elif token[0] in "\"'":
                self._quote = token
            else:
                self._depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(token, 0)
            position += len(token)
        if len(self._quote) == 1:
            self._quote = ""

    def _token(self, text: str, position: int) -> str:
        for triple in ('"""', "'''"):
            if text.startswith(triple, position) and self._quote in ("", triple):
                return triple
        return text[position]
