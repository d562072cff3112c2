"""What the ledger answers, as frozen values; lengths are whole micrometres."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Any


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
        opened: Its first event.
        revision: Last revision of its prescription, 0 where there is none.
        last: Its last event.
    """

    case: str
    opened: Stamp
    revision: int
    sets: int
    rods: int
    last: Stamp
    last_kind: str


@dataclass(frozen=True)
class StoredPrescription:
    """One revision of a prescription.

    Args:
        revision: From 1.
        sha256: SHA-256 of the text in UTF-8.
        reason: Why it was revised, empty for the first.
        stamp: When and by whom it was recorded.
    """

    case: str
    revision: int
    text: str
    sha256: str
    reason: str
    stamp: Stamp


@dataclass(frozen=True)
class StoredContent:
    """A template, a process or a spec as it was.

    Args:
        sha256: SHA-256 over its canonical JSON.
    """

    name: str
    sha256: str
    json: str

    @property
    def content(self) -> dict[str, Any]:
        """The content, read anew each time."""
        content: dict[str, Any] = json.loads(self.json)
        return content


@dataclass(frozen=True)
class StoredSet:
    """One set.

    Args:
        state: Started, made or abandoned.
        purpose: "set", "extra" or "replacement".
        folder: Where it was laid.
        inputs_sha256: Digest of everything it is made from.
        prescription: The revision it was made from.
        spec: Its spacer-set.json, None unless made.
        sums_sha256: SHA-256 of its list of sums, None unless made.
        ended: When and by whom it was made or abandoned.
    """

    name: str
    case: str
    state: SetState
    purpose: str
    set_revision: int
    folder: str
    inputs_sha256: str
    program: str
    prescription: StoredPrescription
    template: StoredContent
    process: StoredContent
    spec: StoredContent | None
    sums_sha256: str | None
    started: Stamp
    ended: Stamp | None


@dataclass(frozen=True)
class StoredRod:
    """One rod.

    Args:
        identifier: Ten digits.
        side: "left" or "right".
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
    uncertainty_nm: int | None
    gauge: str
    note: str
    stamp: Stamp
    details: Mapping[str, Any] = field(default_factory=dict)
