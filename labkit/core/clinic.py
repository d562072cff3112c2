"""What a clinic's sheet sends: who tells it, of which case, and one of five things."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from labkit.core.case.trial_seen import MOST_BY_MM, READ_TO_MM, Correct, Seen
from labkit.core.form.keys import Key, quantity
from labkit.core.form.numbers import exact_number
from labkit.core.grading.prescription import CASE_CHARACTERS, MOST_STEPS
from labkit.core.numbers import Finite
from labkit.errors import InputError

#: Characters of a code or a name, of a rod as it is named, and of a remark.
NAME_CHARACTERS, ROD_CHARACTERS, NOTE_CHARACTERS = 60, 20, 500
#: No case has more rods, and no ledger more entries.
MOST_RODS, MOST_ENTRY = 200, 10**9
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_COMMA = re.compile(r"[0-9]{1,3},[0-9]{1,4}[LR]?", re.I)
_UNIT = re.compile(r"\s*(mm|%)$")


def typed_number(raw: object) -> object:
    """Read a number as a clinic types it: with a decimal point or comma, with its unit or without.

    >>> typed_number("0,8 mm"), typed_number("−1.5"), typed_number("much")
    (Decimal('0.8'), Decimal('-1.5'), 'much')
    """
    if not isinstance(raw, str):
        return raw
    text = _UNIT.sub("", raw.strip()).replace("\u2212", "-")
    try:
        return exact_number(text.replace(",", ".", 1))
    except InputError:
        return raw


def _typed_numbers(raw: object) -> object:
    return [typed_number(one) for one in raw] if isinstance(raw, list) else raw


def typed_day(raw: object) -> object:
    """Read a day as a form gives it; anything else stays as it is.

    >>> typed_day("2031-04-02"), typed_day("2.4.2031")
    (datetime.date(2031, 4, 2), '2.4.2031')
    """
    if isinstance(raw, str) and _DAY.fullmatch(raw):
        try:
            return datetime.date.fromisoformat(raw)
        except ValueError:
            return raw
    return raw


def _day(about: str, **more: Any) -> Key:
    return Key(about, "a day such as 2031-03-14", tidy=typed_day, **more)


def _trimmed(raw: object) -> object:
    return " ".join(raw.split()) if isinstance(raw, str) else raw


def _line(about: str, most: int, **more: Any) -> Key:
    words = f"one line of 1 to {most} printable characters"
    return Key(about, words, most=most, holds=str.isprintable, tidy=_trimmed, **more)


def _as_engraved(raw: object) -> object:
    """Write a label that was typed with a decimal comma as it is engraved."""
    text = _trimmed(raw)
    return text.replace(",", ".") if isinstance(text, str) and _COMMA.fullmatch(text) else text


def _rod(about: str) -> Key:
    key = _line(f"{about}: its label as engraved, or its identifier", ROD_CHARACTERS)
    return replace(key, tidy=_as_engraved)


@dataclass(frozen=True)
class RodTried(Finite):
    """One side's rod at a trial fit.

    Args:
        by_mm: None where it meets.
    """

    rod: Annotated[str, _rod("the rod tried")]
    seen: Annotated[Seen, Key("where its free end lies")]
    by_mm: Annotated[Decimal | None, quantity(
        "how much too long or too short", 0, float(MOST_BY_MM), tidy=typed_number,
    )] = None

    @property
    def words(self) -> str:
        """It as `labkit trial` takes it, such as "28.7 too short by 0.8"."""
        by = "" if self.by_mm is None else f" by {self.by_mm}"
        return f"{self.rod} {self.seen.words}{by}"


@dataclass(frozen=True)
class TrialTold(Finite):
    """A trial fit at the patient's maximum.

    Args:
        accepted: Whether the prescriber accepts what follows from it.
    """

    kind: ClassVar = "trial"
    left: Annotated[RodTried, Key("the left side", required=True)]
    right: Annotated[RodTried, Key("the right side", required=True)]
    read_to_mm: Annotated[Decimal, quantity(
        "step to which the gaps were read", 0.01, 1, tidy=typed_number,
    )] = READ_TO_MM
    correct: Annotated[Correct | None, Key("what was recorded wrongly, where sides disagree")] = (
        None
    )
    accepted: Annotated[bool, Key("whether the prescriber accepts the range that follows")] = False


@dataclass(frozen=True)
class OrderTold(Finite):
    """An order for rods in between."""

    kind: ClassVar = "order"
    percent: Annotated[tuple[Decimal, ...], quantity(
        "steps in percent of the range", 0, 100, "%", least=1, most=MOST_STEPS,
        allowed=f"a list of 1 to {MOST_STEPS} numbers in % from 0 to 100", tidy=_typed_numbers,
    )]


@dataclass(frozen=True)
class FollowUpTold:
    """A follow-up: the pair that is in the mouth now."""

    kind: ClassVar = "follow-up"
    left: Annotated[str, _rod("the left rod in the mouth")]
    right: Annotated[str, _rod("the right rod in the mouth")]


class Became(StrEnum):
    """What became of a rod at the clinic."""

    RETURNED = "returned"
    LOST = "lost"
    BROKEN = "broken"


@dataclass(frozen=True)
class RodTold:
    """What became of one rod."""

    rod: Annotated[str, _line("the rod's identifier, as on the bag label", ROD_CHARACTERS)]
    became: Annotated[Became, Key("what became of it")]


@dataclass(frozen=True)
class RodsTold:
    """Rods lost, broken or sent back."""

    kind: ClassVar = "rods"
    rods: Annotated[tuple[RodTold, ...], Key(
        "each rod", f"a list of 1 to {MOST_RODS} rods, each with rod and became",
        least=1, most=MOST_RODS,
    )]


@dataclass(frozen=True)
class PrescriptionTold:
    """A prescription, as it was typed.

    Args:
        keys: By the names of the columns of a table of prescriptions.
    """

    kind: ClassVar = "prescription"
    keys: Annotated[dict[str, Any], Key("the prescription's values as texts", "a table of texts")]


Told = TrialTold | OrderTold | FollowUpTold | RodsTold | PrescriptionTold
#: Kind → what it is called.
KIND_WORDS = {
    TrialTold.kind: "Trial fit",
    OrderTold.kind: "Rods in between",
    FollowUpTold.kind: "Follow-up",
    RodsTold.kind: "Rods lost or returned",
    PrescriptionTold.kind: "Prescription",
}


@dataclass(frozen=True)
class ClinicFile:
    """What a clinic's sheet saves.

    Args:
        on: The day of what is told.
        by: Who filled it in.
        entry: Entry of the record for which the sheet was true; None for a blank sheet.
        true_on: Day of that entry.
        note: A remark, empty if none.
    """

    case: Annotated[str, _line("the lab's case number, never a patient's name", CASE_CHARACTERS)]
    on: Annotated[datetime.date, _day("day of what is reported")]
    by: Annotated[str, _line("code or name of who filled it in", NAME_CHARACTERS)]
    told: Annotated[Told, Key(
        "what is reported",
        f"a table whose kind is {', '.join(list(KIND_WORDS)[:-1])} or {list(KIND_WORDS)[-1]}",
    )]
    entry: Annotated[int | None, quantity(
        "entry of the record that the sheet is true for", 1, MOST_ENTRY, "",
    )] = None
    true_on: Annotated[datetime.date | None, _day("day of that entry")] = None
    note: Annotated[str, _line("a remark", NOTE_CHARACTERS)] = ""

    @property
    def remark(self) -> str:
        """What is recorded beside it: who told it, and what else."""
        told = f"reported by {self.by} on a clinic sheet"
        return f"{told}: {self.note}" if self.note else told
