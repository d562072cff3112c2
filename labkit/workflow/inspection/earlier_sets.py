"""What earlier sets of the same prescription failed by, for the certificate of a later one."""

from __future__ import annotations

from collections.abc import Iterator

from labkit.core.case.identifier import grouped
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredReading, StoredSet
from labkit.qa.decision.conformance import Result
from labkit.units import counted, first_few, millimetres
from labkit.workflow.inspection.release_state import WITHHELD


def earlier_sets(reader: Reader, stored: StoredSet) -> Iterator[str]:
    """Tell of each earlier set of the same prescription revision what did not conform in it.

    Readings that were taken again since count: they were read.
    """
    story = reader.story(stored.case)
    for other in reader.sets(stored.case):
        same = other.prescription.revision == stored.prescription.revision
        if same and other.set_revision < stored.set_revision and (
            told := [*_failed(reader, other, story), *_withheld(other, story)]
        ):
            yield (
                f"set {other.name}, of the same prescription (revision "
                f"{stored.prescription.revision}): {'; '.join(told)}"
            )


def _failed(reader: Reader, other: StoredSet, story: tuple[Event, ...]) -> Iterator[str]:
    own = {rod.identifier: rod for rod in reader.rods(other.case) if rod.set_name == other.name}
    bad: dict[str, StoredReading] = {}
    for event in story:
        if event.kind is Kind.READING and event.body["identifier"] in own:
            entry = StoredReading.of(event)
            if entry.details.get("result") == Result.NOT_CONFORMING:
                bad[entry.identifier] = entry
    if bad:
        names = [
            f"{own[rod].label} {own[rod].side} ({grouped(rod)}), "
            f"{millimetres(float(entry.details['length_mm']), 3)} mm, entry {entry.stamp.seq}"
            for rod, entry in bad.items()
        ]
        yield f"{counted(len(bad), 'rod')} did not conform: {first_few(names)}"


def _withheld(other: StoredSet, story: tuple[Event, ...]) -> Iterator[str]:
    for event in story:
        if (
            event.kind is Kind.RELEASE and event.body["set"] == other.name
            and event.body["decision"] == WITHHELD
        ):
            yield f"withheld by {event.by} (entry {event.seq}): {event.body.get('note')}"
