"""What holds now for the rods on a set's papers, asked of the record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from labkit.core.case.cover import TolerancedRod
from labkit.core.case.rod_life import IN_CIRCULATION
from labkit.core.case.rods_out import RodOut
from labkit.core.case.standing import (
    NotKnown,
    RangeNow,
    Standing,
    pairs_standing,
    same_percents,
)
from labkit.core.grading.bite import protrusive_range
from labkit.core.grading.grade import length_tolerance
from labkit.core.grading.prescription import Prescription, Side
from labkit.documents.standing import STANDING
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredPrescription, StoredSet
from labkit.workflow.sets.stored_case import limits_of, read_stored

Spec = Mapping[str, Any]


def with_standing(spec: Spec, reader: Reader | None) -> dict[str, Any]:
    """Put beside the content of a set what holds now of it, for its papers.

    Args:
        spec: Content of spacer-set.json.
        reader: The record; None where there is none to be looked at.

    Returns:
        The content; with nothing beside it where all of it still holds.
    """
    standing = NotKnown("The laboratory's record was not looked at: none was found")
    found = standing if reader is None else standing_of(reader, spec)
    return dict(spec) if found is None else {**spec, STANDING: found}


def standing_of(reader: Reader, spec: Spec) -> Standing | NotKnown | None:
    """Ask the record what holds now for the rods on a set's papers.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        None where the bite, jaw and anchors of the record are still those that every set on its
        papers was made for.
    """
    with reader.snapshot():
        own = _set_of(reader, spec)
        if own is None:
            return NotKnown("The laboratory's record does not know this set")
        shown = {"": own, **_beside(reader, spec, own.case)}
        revisions = reader.prescriptions(own.case)
        try:
            now = read_stored(revisions[-1])[1]
            read = {name: read_stored(made.prescription)[1] for name, made in shown.items()}
        except LabkitError:
            return NotKnown("The laboratory's record holds a prescription of this case that "
                            "this version of the program cannot read")
        changed = {
            made.name: _range(read[name])
            for name, made in shown.items() if not same_percents(read[name], now)
        }
        if not changed:
            return None
        rods = [rod for name, made in shown.items() for rod in _rods(spec, name, made, read[name])]
        return Standing(
            _range_now(revisions, now), own.name in changed, changed,
            pairs_standing(rods, now), _in_circulation(reader, shown),
        )


def _set_of(reader: Reader, spec: Spec) -> StoredSet | None:
    """Find the set whose places the rods of a set fill; None where the record knows no such."""
    rod = reader.find(spec["parts"][0]["uses"][0]["identifier"])
    made = None if rod is None else reader.set_named(rod.set_name)
    if rod is None or made is None or made.inputs_sha256 != spec.get("inputs_sha256"):
        return None
    return made if rod.first_set == made.name else reader.set_named(rod.first_set)


def _beside(reader: Reader, spec: Spec, case: str) -> dict[str, StoredSet]:
    """Give the other sets of the whole series, which only a set of extra rods shows."""
    wanted = {row["set_revision"] for row in spec.get("series", ()) if not row["new"]}
    sets = reader.sets(case) if wanted else ()
    return {f"{one.set_revision}/": one for one in sets if one.set_revision in wanted}


def _range(prescription: Prescription) -> float:
    return float(protrusive_range(prescription.bite) or 0)


def _range_now(revisions: tuple[StoredPrescription, ...], now: Prescription) -> RangeNow:
    """Find the entry since which the readings of the last revision hold."""
    since = revisions[-1]
    for one in reversed(revisions):
        try:
            if not same_percents(read_stored(one)[1], now):
                break
        except LabkitError:  # of another version of the program: not known to be the same
            break
        since = one
    return RangeNow(_range(now), since.stamp.seq, since.stamp.at[:10], since.stamp.by)


def _rods(
    spec: Spec, name: str, made: StoredSet, prescription: Prescription
) -> Iterator[TolerancedRod]:
    """Give the rods that the papers show of one set, with the tolerance they were made with."""
    if name:
        rows = [(row["step"], row["left"], row["right"]) for row in spec["series"]
                if not row["new"] and f"{row['set_revision']}/" == name]
    else:
        rows = [(number, step["left"]["label"], step["right"]["label"])
                for number, step in enumerate(spec["lengths"]["steps"], 1)]
    limits = limits_of(made.template.content)
    for number, *labels in rows:
        for side, label in zip(Side, labels, strict=True):
            if label:
                rod = RodOut(f"{name}{number}", side, label)
                yield TolerancedRod(
                    rod, length_tolerance(rod.length, prescription.grading, limits)
                )


def _in_circulation(reader: Reader, shown: Mapping[str, StoredSet]) -> dict[str, tuple[str, ...]]:
    """Give the identifiers of the rods that are out, by the name of their pair."""
    names = {made.name: name for name, made in shown.items()}
    found: dict[str, tuple[str, ...]] = {}
    for rod in reader.rods(next(iter(shown.values())).case):
        if rod.first_set in names and rod.state in IN_CIRCULATION:
            pair = f"{names[rod.first_set]}{rod.step}"
            found[pair] = (*found.get(pair, ()), rod.identifier)
    return found
