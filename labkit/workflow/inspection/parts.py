"""The parts of a rod's inspection in the record: each was told last by one entry."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredReading
from labkit.qa.decision.bench import Bench
from labkit.qa.decision.readings import PARTS, RodReadings
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod, readings_of
from labkit.workflow.inspection.reading_details import readings_told, rod_from_details

#: The part that only measuring tells.
LENGTH = "length"


@dataclass(frozen=True)
class RodRecord:
    """What the record holds of one rod.

    Args:
        entries: Its readings that nothing has corrected and that this program knows, in time order.
    """

    identifier: str
    entries: tuple[StoredReading, ...]

    @classmethod
    def of(cls, reader: Reader, identifier: str) -> RodRecord:
        """Read it; what other programs recorded without details is left out."""
        return cls(identifier, tuple(filter(parts_in, reader.readings(identifier))))

    @property
    def lengths(self) -> tuple[StoredReading, ...]:
        """Entries that tell a length; the last one counts."""
        return tuple(filter(_has_length, self.entries))

    def told_by(self, part: str) -> StoredReading | None:
        """Give the entry that told a part last."""
        return next((each for each in reversed(self.entries) if part in parts_in(each)), None)

    def seen(self) -> dict[str, Any]:
        """Give what was seen, by part, as it was told last."""
        entries = {part: self.told_by(part) for part in PARTS}
        return {
            part: getattr(readings_told(entry), part) for part, entry in entries.items() if entry
        }

    def taken_up_by(self, one: Inspected) -> StoredReading | None:
        """Give the last entry of which a new one tells every part again, and so corrects it."""
        new = parts_of(one)
        return next((e for e in reversed(self.entries) if parts_in(e) <= new), None)


def parts_of(one: Inspected) -> frozenset[str]:
    """Give the parts that an inspection of a rod tells."""
    length = frozenset([LENGTH] if isinstance(one, MeasuredRod) else ())
    return length | readings_of(one).seen


def parts_in(entry: StoredReading) -> frozenset[str]:
    """Give the parts that an entry of the record tells."""
    seen = frozenset(part for part in PARTS if entry.details.get(part) is not None)
    return seen | (frozenset([LENGTH]) if _has_length(entry) else frozenset())


def whole_rod(bench: Bench, record: RodRecord, now: Inspected | None) -> Inspected | None:
    """Put together what is known of a rod: what was told now, before what the record holds.

    Returns:
        The rod decided on, what was seen where it has no length yet, None where nothing is known.
    """
    told = record.seen() | ({} if now is None else _told_now(readings_of(now)))
    if isinstance(now, MeasuredRod):
        base = now
    elif record.lengths:
        base = rod_from_details(bench, record.lengths[-1])
    else:
        return RodReadings(record.identifier, None, **told) if told else None
    if told == _told_now(base.readings):
        return base
    measured = base.length_mm, base.budget
    return bench.judged(replace(base.readings, **told), base.way, measured)


def _told_now(readings: RodReadings) -> dict[str, Any]:
    return {part: getattr(readings, part) for part in readings.seen}


def _has_length(entry: StoredReading) -> bool:
    return "length_mm" in entry.details
