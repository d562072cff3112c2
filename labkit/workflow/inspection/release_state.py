"""Whether the release of a set still stands on what the record holds now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.units import first_few
from labkit.workflow.rods.slots import Slot, slots_of, whole_sets

RELEASED, WITHHELD = "released", "withheld"


@dataclass(frozen=True)
class ReleaseNow:
    """The last release or withholding of a set, held against the record as it is now.

    Args:
        event: The event that says so, its body's basis telling what a release rests on.
        why_not: Of a release, why it does not stand any more, a sentence each; empty where it
            stands, and for a set that is withheld.
    """

    set_name: str
    event: Event
    why_not: tuple[str, ...]

    @property
    def decision(self) -> str:
        """Released or withheld."""
        return str(self.event.body["decision"])

    @property
    def stands(self) -> bool:
        """Whether the set is released, and everything is still as it was then."""
        return self.decision == RELEASED and not self.why_not


def release_now(reader: Reader, stored: StoredSet) -> ReleaseNow | None:
    """Tell how a set stands: released, withheld, or neither.

    Returns:
        The last decision that nothing has corrected; None where there is none.
    """
    own = [e for e in reader.current(stored.case, Kind.RELEASE) if e.body["set"] == stored.name]
    if not own:
        return None
    event = own[-1]
    if event.body["decision"] != RELEASED:
        return ReleaseNow(stored.name, event, ())
    return ReleaseNow(stored.name, event, tuple(_changes(reader, stored, event)))


def why_void(reader: Reader, stored: StoredSet, event: Event) -> tuple[str, ...]:
    """Tell why a release does not stand any more; nothing where it does.

    Args:
        event: A release of it, not always the last.
    """
    now, later = release_now(reader, stored), reader.corrected(stored.case).get(event.seq)
    if later is not None:
        return (f"entry {later} has taken it back",)
    if now is not None and now.event.seq != event.seq:
        how = "released again" if now.decision == RELEASED else "withheld since"
        return (f"the set was {how}, as entry {now.event.seq}",)
    return () if now is None else now.why_not


def releases_of(reader: Reader, case: str) -> tuple[ReleaseNow, ...]:
    """Tell how every set of a case stands that was ever released or withheld.

    Returns:
        One for each such set, replacement sets left out: they stand with the set that they
        belong to.
    """
    if not reader.current(case, Kind.RELEASE):
        return ()
    whole = whole_sets(reader.sets(case))
    return tuple(found for stored in whole if (found := release_now(reader, stored)))


def readings_seen(reader: Reader, rod: StoredRod) -> list[int]:
    """Give the numbers of the events that hold a rod's readings, those corrected left out."""
    return [
        event.seq for event in reader.current(rod.case, Kind.READING)
        if event.body["identifier"] == rod.identifier
    ]


def _changes(reader: Reader, stored: StoredSet, event: Event) -> Iterator[str]:
    """Compare what a release rests on with the record."""
    basis = event.body.get("basis") or {}
    seen = {(rod["step"], rod["side"]): rod for rod in basis.get("rods", ())}
    as_is = any(was.get("as_is") for was in seen.values())
    corrected = reader.corrected(stored.case) if as_is else {}
    unsaid, measured = [], []
    for slot in slots_of(reader, stored):
        was = seen.get((slot.step, slot.side))
        place = f"step {slot.step}, {slot.side}"
        if was is None:
            unsaid.append(place)
        elif slot.rod.identifier != was["identifier"]:
            yield (
                f"the rod {grouped(was['identifier'])} ({place}) is {_state_of(slot, was)}, and "
                f"{grouped(slot.rod.identifier)} takes its place"
            )
        elif slot.rod.state == "rejected":
            yield f"the rod {grouped(slot.rod.identifier)} ({place}) was rejected since"
        elif readings_seen(reader, slot.rod) != was["reading_events"]:
            measured.append(f"{grouped(slot.rod.identifier)} ({place})")
        elif was.get("as_is") and was["as_is"]["event"] in corrected:
            yield (
                f"that the rod {grouped(slot.rod.identifier)} ({place}) is used as is was taken "
                f"back, entry {corrected[was['as_is']['event']]}"
            )
    if unsaid:
        yield f"it does not say on which readings of {first_few(unsaid, '; ')} it rests"
    if measured:
        rods = f"rod{'s' * (len(measured) > 1)} {first_few(measured)}"
        yield f"the readings of the {rods} have changed since"


def _state_of(slot: Slot, was: dict[str, object]) -> str:
    for rod in slot.replaced:
        if rod.identifier == was["identifier"]:
            return rod.state
    return "no rod of this place"


def told_now(release: ReleaseNow) -> str:
    """Say how a set stands, in one sentence for people."""
    event = release.event
    said = f"{release.set_name} was {release.decision} by {event.by} (entry {event.seq})"
    if release.decision != RELEASED:
        return f"{said}: {event.body.get('note') or 'no reason given'}"
    if release.stands:
        return f"{said}; no rod and no reading has changed since"
    return (
        f"{said}, but the release is no longer valid: {'; '.join(release.why_not)}; decide again "
        "with `labkit release`"
    )


def release_json(release: ReleaseNow) -> dict[str, Any]:
    """Give how a set stands as JSON content."""
    event = release.event
    return {
        "set": release.set_name,
        "decision": release.decision,
        "stands": release.stands,
        "event": event.seq,
        "at": event.at,
        "by": event.by,
        "why_not": list(release.why_not),
    }
