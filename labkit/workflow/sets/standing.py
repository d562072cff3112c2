"""What holds now for the rods on a set's papers, asked of the record."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from labkit.core.case.case_standing import SetStanding
from labkit.core.case.standing import NotKnown
from labkit.documents.set_spec import Spec
from labkit.documents.standing import STANDING
from labkit.errors import LabkitError
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.workflow.record.standing import standing_of_case

#: Recorded after papers are written: that changes nothing they say.
_OF_PAPERS = (Kind.SET_MADE, Kind.PAPERS_PRINTED)


def with_standing(spec: Spec, reader: Reader | None) -> dict[str, Any]:
    """Put beside the content of a set what holds now of it, for its papers.

    Args:
        reader: The record; None where there is none to be looked at.
    """
    none = NotKnown("record_not_asked")
    return {**spec, STANDING: none if reader is None else standing_of(reader, spec)}


def standing_of(reader: Reader, spec: Spec) -> SetStanding | NotKnown:
    """Ask the record what holds now for the rods on a set's papers."""
    with reader.snapshot():
        own = _set_of(reader, spec)
        if own is None:
            return NotKnown("set_not_in_record")
        try:
            case = standing_of_case(reader, own.case)
        except LabkitError:
            return NotKnown("prescription_not_read")
        last = next(event for event in reversed(reader.story(own.case))
                    if event.kind not in _OF_PAPERS)
        marks = _marks(made.spec.content for made in reader.sets(own.case) if made.spec)
        return SetStanding(
            case, own.set_revision, last.seq, last.at[:10], {**marks, **_marks([spec])}
        )


def _marks(specs: Iterable[Spec]) -> dict[str, str]:
    """Tell what each rod of some sets bears after its length."""
    return {
        use["identifier"]: part["mark"]
        for spec in specs for part in spec["parts"] for use in part["uses"]
    }


def _set_of(reader: Reader, spec: Spec) -> StoredSet | None:
    """Find the set whose places the rods of a set fill; None where the record knows no such."""
    made, rod = set_made(reader, spec), _first_rod(reader, spec)
    if rod is None or made is None:
        return None
    return made if rod.first_set == made.name else reader.set_named(rod.first_set)


def set_made(reader: Reader, spec: Spec) -> StoredSet | None:
    """Find the set that was made as a spec says; None where the record knows no such."""
    rod = _first_rod(reader, spec)
    made = None if rod is None else reader.set_named(rod.set_name)
    same = made is not None and made.inputs_sha256 == spec.get("inputs_sha256")
    return made if same else None


def _first_rod(reader: Reader, spec: Spec) -> StoredRod | None:
    return reader.find(spec["parts"][0]["uses"][0]["identifier"])
