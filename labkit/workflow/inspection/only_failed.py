"""Rods that were measured although every build that the record tells of them failed."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from labkit.core.case.identifier import grouped
from labkit.core.findings import Finding, note
from labkit.ledger.builds import builds_of
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.units import first_few


def only_failed(
    reader: Reader, rods: Sequence[StoredRod], measured: Collection[str]
) -> Iterator[Finding]:
    """Note rods that exist, and lay in no build but those that failed.

    They may come from the plate of their set, which is not recorded as a build.

    Args:
        rods: Of one case.
        measured: Those of which a length is known.
    """
    found: dict[tuple[int, ...], list[str]] = {}
    builds = builds_of(reader, rods[0].case) if rods else ()
    for rod in (one for one in rods if one.identifier in measured):
        own = [one for one in builds if one.pieces_of(rod.identifier)]
        if own and not any(rod.identifier in one.given for one in own):
            numbers = tuple(one.number for one in own)
            found.setdefault(numbers, []).append(
                f"{grouped(rod.identifier)} ({rod.label}, step {rod.step}, {rod.side})"
            )
    for numbers, names in found.items():
        them, come = ("them", "they come") if names[1:] else ("it", "it comes")
        failed = f"build{'s' if numbers[1:] else ''} {', '.join(map(str, numbers))}"
        yield note(
            "only_failed_builds",
            f"{first_few(names)}: the record says that {failed} failed to give {them}, and nobody "
            f"recorded another build of {them}; make sure where {come} from, such as the plate of "
            "the set", first_few(names),
        )
