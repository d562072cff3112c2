"""What a clinic's sheet is filled with: one case as of an entry of the record, or none."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.texts import english_texts
from labkit.core.case.case_standing import CaseRod, PairNow
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import WHO_HAS_IT
from labkit.core.case.trial_seen import READ_TO_MM
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Side
from labkit.documents.bite_scale_drawing import bite_scale
from labkit.documents.drawing import Drawing
from labkit.documents.figures import sentence
from labkit.documents.set_picture import set_drawing
from labkit.exports.write.put import put_new, refuse_existing
from labkit.ledger.queries import Reader
from labkit.units import millimetres, plain
from labkit.workflow.intake.prescriptions import texts_of
from labkit.workflow.intake.tables import (
    BECAME_MEANS,
    Step,
    became_next,
    order_table,
    trial_table,
)
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.sheet import findings_of
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.sets.stored_case import read_case


def blank_content(templates: Mapping[str, Any]) -> dict[str, Any]:
    """Give what a sheet without a case has."""
    return {
        "schema": 1, "case": None, "entry": None, "true_on": None, "pairs": [], "rods": [],
        "trial": None, "order": None, "templates": list(templates), "keys": {},
        "became": {str(state): means for state, means in BECAME_MEANS.items()},
        "read_to": plain(READ_TO_MM),
    }


def case_content(
    reader: Reader, case: str, templates: Mapping[str, Any], step: Step
) -> dict[str, Any]:
    """Give what the sheet of a case has: what holds now, and the tables for what is told.

    Args:
        step: Told of each row of a table that is worked out.

    Raises:
        InputError: The ledger does not know the case, or this program cannot read it.
        RefusedError: No set of the case was ever started.
    """
    with reader.snapshot():
        need_case(reader, case)
        stored, standing = read_case(reader, case), standing_of_case(reader, case)
    pairs = [pair for pair in standing.pairs if pair.rods]
    return {
        **blank_content(templates),
        "case": case, "entry": standing.entry, "true_on": standing.on,
        "true": standing.true_as_of, "range": millimetres(standing.now.range_mm),
        "revision": standing.revision, "action": str(stored.prescription.action),
        "pairs": [_pair(pair) for pair in pairs],
        "rods": [_rod(rod) for pair in pairs for rod in pair.rods.values()],
        "findings": [sentence(finding.message) for finding in findings_of(standing)],
        "trial": trial_table(stored, step),
        "order": order_table(stored, pairs),
        "keys": texts_of(stored.source),
    }


def drawings_of(reader: Reader, case: str) -> Iterator[tuple[str, Drawing]]:
    """Draw a case: the bite scale that holds now, and the rods of each set to scale.

    Yields:
        A heading and a drawing.
    """
    stored, words = read_case(reader, case), english_texts().of("case-sheet").tables["bite_scale"]
    graded = grade(stored.prescription, stored.limits)
    if graded.range_mm is not None:
        yield "The bite readings, and the steps as prescribed", bite_scale(
            stored.prescription.bite, graded, words
        )
    lettering = load_lettering()
    for one in reader.sets(case):
        if "parts" in (spec := one.content):
            yield f"The rods of set {one.set_revision}, as made", set_drawing(spec, lettering)


def write_new(path: Path, make: Callable[[], bytes]) -> None:
    """Write a new file; what goes into it is only made where there is room for it.

    Raises:
        DeliveryError: There is such a file, or it cannot be written.
    """
    refuse_existing(path)
    put_new(path, make())


def _pair(pair: PairNow) -> dict[str, Any]:
    makes = pair.makes
    percent = mm = None
    if makes is not None and makes.percent is not None and makes.advancement_mm is not None:
        percent = millimetres(makes.percent, 1)
        mm = f"{millimetres(makes.advancement_mm)} ±{millimetres(makes.tolerance_mm)}"
    return {
        "key": "" if makes is None else makes.pair,
        "name": f"set {pair.set_number}, step {pair.step}",
        "lengths": pair.lengths, "percent": percent, "mm": mm,
        "words": pair.words, "stop": pair.not_to_be_worn, "start": pair.start,
        "left": _identifier(pair, Side.LEFT), "right": _identifier(pair, Side.RIGHT),
    }


def _identifier(pair: PairNow, side: Side) -> str | None:
    return pair.rods[side].identifier if side in pair.rods else None


def _rod(rod: CaseRod) -> dict[str, Any]:
    return {
        "identifier": rod.identifier, "shown": grouped(rod.identifier),
        "label": rod.rod.rod.label, "side": str(rod.rod.rod.side), "who": WHO_HAS_IT[rod.state],
        "next": became_next(rod.state),
    }
