"""What is told of each case, worked out again only of those that have gone on since.

Everything recorded of a case lies before the digest of its last entry, so what follows from the
record and the program alone holds as long as that digest is the last one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from labkit.errors import LabkitError
from labkit.kept import digest_of_program, keep, kept_file, read_kept, sealed
from labkit.ledger.events import Kind
from labkit.ledger.identity import identity_of
from labkit.ledger.queries import Reader
from labkit.ledger.stored import CaseSummary

#: Of fewer cases the answers are not worth a file.
WORTH_A_FILE = 100
#: The oldest files go where there are more: a question of a record of 10,000 cases takes some MB.
MOST_FILES = 24
SOURCES = ("**/*.py",)
LIBRARIES = ("numpy",)
_SUFFIX = ".answers"


@dataclass
class Question:
    """A question about one case, whose answer follows from its entries and the program.

    Args:
        name: Name of its file.
        ask: Gives the answer as JSON content.
        unknown: Gives what stands for it where it cannot be worked out, which is not kept.
        kinds: Kinds of events that it asks of every case.
        answers: Those of this process, by the digest of the case's last entry.
    """

    name: str
    ask: Callable[[Reader, str], Any]
    unknown: Callable[[Reader, str, LabkitError], Any]
    kinds: Collection[Kind]
    answers: dict[str, Any] = field(default_factory=dict)


def answered(
    reader: Reader, cases: Sequence[CaseSummary], question: Question
) -> Iterator[tuple[str, Any]]:
    """Give each case with its answer, in order.

    Args:
        cases: All those that the question is about.
    """
    path = _path_of(reader, question) if len(cases) >= WORTH_A_FILE else None
    known = {**_kept(path), **question.answers}
    question.answers = kept = {
        each.last_digest: known[each.last_digest] for each in cases if each.last_digest in known
    }
    new = [each for each in cases if each.last_digest not in kept]
    ahead = reader.cases_ahead([each.case for each in new], question.kinds)
    for each in cases:
        if each.last_digest in kept:
            yield each.case, kept[each.last_digest]
            continue
        case = next(ahead)
        try:
            found = question.ask(reader, case)
            # Only of a case that has not gone on meanwhile is it known what was answered.
            if reader.last(case).digest == each.last_digest:
                kept[each.last_digest] = found
        except LabkitError as error:
            found = question.unknown(reader, case, error)
        yield case, found
    if path is not None and new:
        told = json.dumps(kept, ensure_ascii=False).encode()
        with suppress(OSError):  # answers are only kept to be quicker
            keep(path, sealed(path.stem, told), MOST_FILES)


def _kept(path: Path | None) -> dict[str, Any]:
    data = None if path is None else read_kept(path)
    found: dict[str, Any] = json.loads(data) if data is not None else {}
    return found


def _path_of(reader: Reader, question: Question) -> Path | None:
    return kept_file("answers", _SUFFIX, _program(), identity_of(reader), question.name)


@cache
def _program() -> str:
    """Give a digest of what an answer follows from beside the record; empty without."""
    return digest_of_program(SOURCES, LIBRARIES)
