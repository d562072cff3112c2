"""Turns the bytes of a CSV file into records, and finds what separates their fields."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterator
from typing import NamedTuple

from labkit.errors import InputError

#: Thousands of readings fit in; anything larger is the wrong file.
MOST_BYTES = 5_000_000
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
#: A line that some programs write first to tell the delimiter.
_DECLARATION = "sep="
_BYTE_ORDER_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"),
)
_OTHER_FILES = (
    (b"PK\x03\x04", "a spreadsheet's own workbook"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet's own workbook"),
    (b"%PDF", "a PDF"),
    (b"{\\rtf", "a text with formatting"),
)
_SAVE_AS = "save the table as CSV, in UTF-8"


class Record(NamedTuple):
    """The fields of one row and the line in which it begins."""

    line: int
    texts: list[str]


def decoded(raw: bytes, name: str) -> str:
    r"""Turn the bytes of a table into text.

    Raises:
        InputError: Too large, another kind of file, or neither UTF-8 nor UTF-16 with a mark.

    >>> decoded("\ufeffwert;µ".encode("utf-16-le"), "a.csv")
    'wert;µ'
    """
    if len(raw) > MOST_BYTES:
        raise InputError(
            f"is larger than {MOST_BYTES // 1_000_000} MB; name a table of readings", where=name
        )
    for start, kind in _OTHER_FILES:
        if raw.startswith(start):
            raise InputError(f"is {kind}, not a table; {_SAVE_AS}", where=name)
    encoding = next((enc for mark, enc in _BYTE_ORDER_MARKS if raw.startswith(mark)), "utf-8")
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"has characters that are not {encoding[:6].upper().rstrip('-')}; {_SAVE_AS}",
            where=f"{name}:{line}",
        ) from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise InputError(f"is not a text file; {_SAVE_AS}", where=f"{name}:{line}")
    return text


def records_of(text: str, name: str, known: Collection[str]) -> tuple[list[Record], str]:
    r"""Split a text into records, the names of the columns first, blank ones left out.

    Raises:
        InputError: There is no header, its delimiter cannot be told, or quotes do not match.

    >>> records_of("a;b\n\n1;2\n", "t.csv", ["a", "b"])[0][1]
    Record(line=3, texts=['1', '2'])
    """
    declared = _declared(text, name)
    delimiter = declared or _delimiter(text, name, known)
    records = list(_records(text, delimiter, name))
    if declared:
        del records[0]
    records = [record for record in records if any(field.strip() for field in record.texts)]
    if not records:
        raise InputError("is empty; name a table with the names of its columns first", where=name)
    return records, delimiter


def _declared(text: str, name: str) -> str:
    """Give the delimiter that a first line `sep=;` tells, empty without such a line."""
    first = next(iter(text.splitlines()), "")
    if not first.casefold().startswith(_DECLARATION):
        return ""
    sign = first[len(_DECLARATION) :]
    if sign not in DELIMITERS:
        raise InputError(
            f"`{first[:20]}` does not name a separator; allowed are {' , '.join(',;')} and a tab",
            where=f"{name}:1",
        )
    return sign


def _delimiter(text: str, name: str, known: Collection[str]) -> str:
    """Find the delimiter: the one by which the first line holds the most known names."""
    titles = {sign: _first(text, sign) for sign in DELIMITERS}
    hits = {
        sign: sum(title.strip().casefold() in known for title in row)
        for sign, row in titles.items()
    }
    best = [sign for sign in DELIMITERS if hits[sign] == max(hits.values())]
    splitting = [sign for sign in best if len(titles[sign]) > 1]
    if len(best) == 1 or len(splitting) == 1:
        return best[0] if len(best) == 1 else splitting[0]
    if not splitting:
        return ";"  # one column: nothing separates
    raise InputError(
        f"the first line could be separated by {' or '.join(DELIMITERS[s] for s in splitting)}; "
        f"separate the names of the columns by one sign throughout; known are {', '.join(known)}",
        where=f"{name}:1",
    )


def _first(text: str, delimiter: str) -> list[str]:
    """Give the fields of the first line that is not blank, as one delimiter splits it."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        return next((row for row in reader if any(field.strip() for field in row)), [])
    except csv.Error:
        return []


def _records(text: str, delimiter: str, name: str) -> Iterator[Record]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputError(
                "has quotes that do not match; a quoted cell begins and ends with one quote, a "
                "quote inside it is written twice",
                where=f"{name}:{line}",
            ) from error
        yield Record(line, row)
        line = reader.line_num + 1
