"""Whether what a rod was released on is still what the record holds of it."""

from __future__ import annotations

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import RodState
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.workflow.inspection.release_state import readings_seen, release_now
from labkit.workflow.rods.slips import refusal


def check_released(reader: Reader, rod: StoredRod) -> None:
    """Refuse to hand out a rod that was measured again after its release.

    Raises:
        RefusedError: Its readings are others than those that its release rests on.
    """
    stored = reader.set_named(rod.first_set)
    now = release_now(reader, stored) if stored else None
    if rod.state not in (RodState.RELEASED, RodState.RETURNED) or now is None:
        return
    basis = (now.event.body.get("basis") or {}).get("rods", ())
    was = [each for each in basis if each["identifier"] == rod.identifier]
    seen = readings_seen(reader, rod)
    if was and seen != was[0]["reading_events"]:
        raise refusal(
            rod,
            f"the {rod.side} rod {rod.label}, {grouped(rod.identifier)}, was measured again after "
            f"it was released (entry {now.event.seq}), so that its release is no longer valid; "
            "release the set again with `labkit release`, or say with --unreleased why it is "
            "handed out all the same; nothing was recorded",
        )
