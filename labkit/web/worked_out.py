"""What a prescription in the form comes to: the command's own report, and what is wrong with it."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TypeVar

from labkit.catalog.rods import rod_templates
from labkit.core.form.words import dotted
from labkit.core.rod.rods import RodTemplate
from labkit.errors import EXIT_REFUSED, InputError, InputErrors, LabkitError
from labkit.web.prescription_form import fields, table_of
from labkit.web.print_report import ShownSection, report_facts
from labkit.web.workplace import OwnFiles, Stamps, stamps_of
from labkit.workflow.intake.prescriptions import text_keys
from labkit.workflow.intake.typed import FORM, read_form
from labkit.workflow.sets.cases import Case, open_case
from labkit.workflow.sets.lengths_report import lengths_report

#: Forms whose result is kept: what is typed back and forth is worked out once.
MOST_KEPT = 256
#: Characters of a prescription: many times those of a long one, and read in a fraction of a second.
MOST_CHARACTERS = 20_000
#: Threads that work out lengths side by side only take the interpreter from one another, and each
#: then needs almost twice the processor time; one after another, all are done sooner.
ONE_AT_A_TIME = threading.RLock()
#: What is asked while somebody types waits in the order of asking, and keeps no other page waiting.
_TYPING = ThreadPoolExecutor(1, "typing")
_AnswerT = TypeVar("_AnswerT")
#: The place of a member of a list.
_MEMBER = re.compile(r"\[\d+\]$")
#: What speaks for a table of which nothing is told.
_SPEAKS_FOR = {"bite": "zero", "appliance": "action", "grading": "percent"}

#: A form as it can be kept: names and texts, those that are not empty.
Texts = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Problem:
    """What is wrong.

    Args:
        name: Of the field that it is about, "" where it is about none or several.
        refused: Whether a rule of the trade refuses it; else it cannot be read.
    """

    name: str
    sentence: str
    refused: bool

    @property
    def label(self) -> str:
        """What its field is called."""
        return fields()[self.name].label if self.name else ""


@dataclass(frozen=True)
class WorkedOut:
    """What a form comes to.

    Args:
        case: Read and graded; None where it cannot be read.
        sections: The report of its lengths.
        missing: Labels of the fields that are still to be filled in.
    """

    case: Case | None
    sections: tuple[ShownSection, ...]
    problems: tuple[Problem, ...]
    missing: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether it can be prescribed."""
        return self.case is not None and not self.problems

    @property
    def wrong(self) -> frozenset[str]:
        """Names of the fields that something is wrong with."""
        return frozenset(problem.name for problem in self.problems)


def worked_out(texts: Mapping[str, str], decimal: str, own: OwnFiles) -> WorkedOut:
    """Work a form out.

    Args:
        texts: By the names of the fields, as typed.
        decimal: The reader's decimal sign.

    Raises:
        InputError: A rod template of the lab cannot be read.
    """
    told = tuple((name, texts[name].strip()) for name in fields() if texts.get(name, "").strip())
    try:
        require_small(*(text for _, text in told))
    except InputError as error:
        return WorkedOut(None, (), problems_of(error), ())
    with ONE_AT_A_TIME:
        return _worked_out(told, decimal, own.templates, stamps_of(own.templates))


def require_small(*texts: str) -> None:
    """Make sure that a prescription is no longer than one can be.

    Raises:
        InputError: It is longer.
    """
    count = sum(map(len, texts))
    if count > MOST_CHARACTERS:
        raise InputError(
            f"the prescription has {count:,} characters, and at most {MOST_CHARACTERS:,} are read; "
            "leave out what does not belong to it",
            where=FORM,
        )


async def in_turn(work: Callable[[], _AnswerT]) -> _AnswerT:
    """Do arithmetic asked while somebody types; where another thread works out, beside all pages.

    It takes some milliseconds, and another thread would need half as much again. The record is
    not asked here: it may be slow or away.
    """
    if ONE_AT_A_TIME.acquire(blocking=False):
        try:
            return work()
        finally:
            ONE_AT_A_TIME.release()
    return await asyncio.get_running_loop().run_in_executor(_TYPING, work)


def templates_of(own: OwnFiles) -> Mapping[str, RodTemplate]:
    """Give the rod templates; files are read anew where they have changed.

    Raises:
        InputError: One cannot be read.
    """
    return _templates(own.templates, stamps_of(own.templates))


def problems_of(error: LabkitError) -> tuple[Problem, ...]:
    """Give each thing that is wrong with the field that it is about."""
    return tuple(
        Problem(_speaker(one.field), sentence, refused=one.exit_code == EXIT_REFUSED)
        for one in _single(error) for sentence in one.message.splitlines() if sentence
    )


def _single(error: LabkitError) -> tuple[LabkitError, ...]:
    return error.errors if isinstance(error, InputErrors) else (error,)


def _speaker(place: str) -> str:
    """Give the name of the field that a key of the file, a column or a table is about, or ""."""
    place = _MEMBER.sub("", place)
    return place if place in text_keys() else _names().get(place, _SPEAKS_FOR.get(place, ""))


@cache
def _names() -> Mapping[str, str]:
    return {dotted(at): name for name, (at, _) in text_keys().items()}


@lru_cache(maxsize=8)
def _templates(places: tuple[str, ...], stamps: Stamps) -> Mapping[str, RodTemplate]:
    del stamps  # what is kept holds for these alone
    return rod_templates(places)


@lru_cache(maxsize=MOST_KEPT)
def _worked_out(
    told: Texts, decimal: str, places: tuple[str, ...], stamps: Stamps
) -> WorkedOut:
    texts = dict(told)
    try:
        case = open_case(read_form(texts, decimal), dict(_templates(places, stamps)))
    except LabkitError as error:
        missing = frozenset(_missing(texts, _single(error)))
        wrong = tuple(one for one in problems_of(error) if one.name not in missing)
        labels = tuple(field.label for name, field in fields().items() if name in missing)
        return WorkedOut(None, (), wrong, labels)
    refused = tuple(
        Problem(_speaker(one.where), one.message, refused=True) for one in case.refusals
    )
    return WorkedOut(case, report_facts(lengths_report(case)), refused, ())


def _missing(texts: Mapping[str, str], errors: Iterable[LabkitError]) -> Iterator[str]:
    """Find what is still to be filled in: it is not wrong yet."""
    yield from (one.name for one in fields().values() if one.needed and one.name not in texts)
    for error in errors:
        name, table = _speaker(error.field), error.field
        if name not in texts and not (
            table in _SPEAKS_FOR and any(table_of(told) == table for told in texts)
        ):
            yield name
