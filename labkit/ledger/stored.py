"""What the ledger answers, as frozen values; lengths are whole micrometres."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from functools import cached_property
from typing import Any

from labkit.ledger.bodies import Prescription, SetMade, SetStarted, require_known_keys, said
from labkit.ledger.events import Event, Kind, sha256_of_text, written


class SetState(StrEnum):
    """How far a set has come."""

    STARTED = "started"
    MADE = "made"
    ABANDONED = "abandoned"


@dataclass(frozen=True)
class Stamp:
    """When an event was recorded, and by whom."""

    seq: int
    at: str
    by: str


@dataclass(frozen=True)
class CaseSummary:
    """One line about a case.

    Args:
        opened, last: Its first and its last event.
        revision: Last revision of its prescription, 0 where there is none.
        sets, rods: How many of them were made.
    """

    case: str
    opened: Stamp
    revision: int
    sets: int
    rods: int
    last: Stamp
    last_kind: str
    last_digest: str


@dataclass(frozen=True)
class StoredPrescription:
    """One revision of a prescription, from 1.

    Args:
        reason: Why it was revised, empty for the first.
        trial: Entry of the trial fit that was accepted or withdrawn with it; None for any other.
        stamp: When and by whom it was recorded.
    """

    case: str
    revision: int
    text: str
    reason: str
    stamp: Stamp
    trial: int | None = None

    @classmethod
    def of(cls, event: Event) -> StoredPrescription:
        """Read it from its event."""
        told = said(event, Prescription)
        why = told.reason or ""
        return cls(event.case, told.revision, told.text, why, stamp(event), told.trial)

    @property
    def sha256(self) -> str:
        """SHA-256 of the text in UTF-8."""
        return sha256_of_text(self.text)


@dataclass(frozen=True)
class StoredContent:
    """A template, a process or a spec as it was.

    Args:
        json: It in canonical JSON.
    """

    name: str
    json: str

    @property
    def sha256(self) -> str:
        """SHA-256 over its canonical JSON."""
        return sha256_of_text(self.json)

    @property
    def content(self) -> dict[str, Any]:
        """The content, read anew each time."""
        content: dict[str, Any] = json.loads(self.json)
        return content


@dataclass(frozen=True)
class StoredSet:
    """One set: the event that began it, and the one that ended it, None while it is at work.

    Args:
        prescription: The revision it was made from.
    """

    begun: Event
    end: Event | None
    prescription: StoredPrescription

    @cached_property
    def _plan(self) -> SetStarted:
        return said(self.begun, SetStarted)

    @cached_property
    def _made(self) -> SetMade | None:
        return said(self.end, SetMade) if self.end and self.end.kind is Kind.SET_MADE else None

    @property
    def name(self) -> str:
        """Its name, which is that of its folder."""
        return self._plan.set

    @property
    def case(self) -> str:
        """Number of its case."""
        return self.begun.case

    @property
    def state(self) -> SetState:
        """Started, made or abandoned."""
        if self.end is None:
            return SetState.STARTED
        return SetState.MADE if self.end.kind is Kind.SET_MADE else SetState.ABANDONED

    @property
    def purpose(self) -> str:
        """"set", "extra" or "replacement"."""
        return self._plan.purpose

    @property
    def set_revision(self) -> int:
        """Its number among the sets of the case."""
        return self._plan.set_revision

    @property
    def order(self) -> int | None:
        """Number of the order that it serves, None where none was needed."""
        return self._plan.order

    @property
    def folder(self) -> str:
        """Where it was laid, or is to be laid."""
        return (self._made or self._plan).folder

    @property
    def inputs_sha256(self) -> str:
        """Digest of everything it is made from."""
        return self._plan.inputs_sha256

    @property
    def program(self) -> str:
        """Version of the program that made it."""
        return self._plan.program

    @cached_property
    def template(self) -> StoredContent:
        """The rod template as it was."""
        return _content(self._plan.template)

    @cached_property
    def process(self) -> StoredContent:
        """The process as it was."""
        return _content(self._plan.process)

    @cached_property
    def spec(self) -> StoredContent | None:
        """Its spacer-set.json, None unless made."""
        return _content(self._made.spec, self.name) if self._made else None

    @property
    def content(self) -> dict[str, Any]:
        """Content of its spacer-set.json, empty unless made."""
        return self.spec.content if self.spec else {}

    @property
    def sums_sha256(self) -> str | None:
        """SHA-256 of its list of sums, None unless made."""
        return self._made.sums_sha256 if self._made else None

    @property
    def rods_sha256(self) -> str | None:
        """SHA-256 of the sums of its rods' files, None unless made by a program that noted it."""
        return self._made.rods_sha256 if self._made else None

    @property
    def started(self) -> Stamp:
        """When and by whom it was begun."""
        return stamp(self.begun)

    @property
    def ended(self) -> Stamp | None:
        """When and by whom it was made or abandoned."""
        return stamp(self.end) if self.end else None


def stamp(event: Event) -> Stamp:
    """Tell when an event was recorded, and by whom."""
    return Stamp(event.seq, event.at, event.by)


def _content(content: Mapping[str, Any], name: str = "") -> StoredContent:
    return StoredContent(name or content["name"], written(dict(content)))


@dataclass(frozen=True)
class StoredRod:
    """One rod.

    Args:
        percent: Percent at which it was made, as text; a later trial fit may have changed it.
        state: "reserved", "made", "abandoned", "released", "withheld", or as given by hand.
        made: When and by whom its set was started.
        replaces: Identifier of the rod whose place it takes, empty if it takes none's.
        first_set: Set in which its place was first made: its own, or, of a replacement, that of
            the first rod that it stands for.
    """

    identifier: str
    case: str
    set_name: str
    step: int
    side: str
    length_um: int
    label: str
    percent: str | None
    state: str
    state_since: Stamp
    made: Stamp
    replaces: str
    first_set: str

    @property
    def length_mm(self) -> Decimal:
        """The functional length in mm, exact."""
        return Decimal(self.length_um).scaleb(-3)


#: What is recorded as measured of a rod that was only looked at: it has no length.
LOOKED_AT = "look"


@dataclass(frozen=True)
class StoredReading:
    """One measurement of a rod that nothing has corrected.

    Args:
        quantity: What was measured, such as "length".
        uncertainty_nm: Standard uncertainty, nanometres, None if not given.
        note: Free text, empty if none.
        details: Single readings, instrument, label as read and the like; empty where none was kept.
    """

    identifier: str
    quantity: str
    value_um: int
    gauge: str
    stamp: Stamp
    uncertainty_nm: int | None = None
    note: str = ""
    details: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, event: Event) -> StoredReading:
        """Read it from its event.

        Raises:
            LedgerError: A later program wrote it, with a key that this one does not know.
        """
        told = {name: value for name, value in event.body.items() if value is not None}
        require_known_keys(told, cls)
        return cls(stamp=stamp(event), **told)

    @property
    def u_mm(self) -> float | None:
        """Standard uncertainty, None if not given."""
        return None if self.uncertainty_nm is None else self.uncertainty_nm / 1e6

    @property
    def measured_by(self) -> str:
        """The code of who measured, or of who recorded it where nobody else is named."""
        return str(self.details.get("measured_by") or self.stamp.by)

    @property
    def hands(self) -> frozenset[str]:
        """The codes of who measured and who recorded it, in small letters."""
        return frozenset((self.measured_by.casefold(), self.stamp.by.casefold()))

    @property
    def only_seen(self) -> bool:
        """Whether the rod was looked at and not measured."""
        return self.quantity == LOOKED_AT

    @property
    def measured_on(self) -> datetime.date:
        """Day of the readings; that of the record where none was told."""
        return datetime.date.fromisoformat(self.details.get("measured_on") or self.stamp.at[:10])


@dataclass(frozen=True)
class LastReading:
    """The last reading of a rod, and what the rod was made with.

    Args:
        process_sha256: Content hash of the process as it was then.
    """

    case: str
    set_name: str
    side: str
    template: str
    process: str
    process_sha256: str
    reading: StoredReading
