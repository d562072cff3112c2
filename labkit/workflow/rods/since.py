"""What a later revision of the prescription has made of rods made before it."""

from __future__ import annotations

from collections.abc import Sequence

from labkit.core.case.standing import pairs_standing
from labkit.core.findings import Finding, note
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.workflow.record.standing import case_rods
from labkit.workflow.sets.stored_case import read_case


def revised_since(
    reader: Reader, stored: StoredSet, rods: Sequence[StoredRod], when: str
) -> tuple[Finding, ...]:
    """Note what a later revision of the prescription has made of rods' percentages.

    The notes are kept, and read when yet another revision holds: they say what holds as of now.

    Args:
        stored: The set in which the rods' places were first made.
        when: What happens now, such as "when these rods were ordered".

    Returns:
        Notes; none where the set's own revision holds.
    """
    newest, own = reader.prescription(stored.case).revision, stored.prescription.revision
    if newest == own:
        return ()
    found = [note(
        "earlier_revision",
        "{when}, prescription revision {newest} held; percentages are those of revision {own}, "
        "from which these rods were first made (labkit sheet {case} shows those of today)",
        when=when, newest=str(newest), own=str(own), case=stored.case,
    )]
    try:
        now = read_case(reader, stored.case).prescription
        meant = {rod.identifier for rod in rods}
        known = [one for one in case_rods(reader, stored.case) if one.identifier in meant]
        makes = pairs_standing([one.rod for one in known], now)
    except LabkitError:  # the new revision cannot be read back; the first note says to look
        return tuple(found)
    for one in known:
        rod = one.rod.rod
        if makes[rod.pair].not_to_be_worn:
            found.append(note(
                "above_100",
                "{when}, the {side} rod {label} made more than 100 %: not to be worn",
                f"step {one.step} {rod.side}", when=when, side=str(rod.side), label=rod.label,
            ))
    return tuple(found)
