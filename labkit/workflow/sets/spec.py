"""The content of spacer-set.json: the one source of everything else about a set."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import labkit
from labkit.catalog.profiles import profile_json, profile_of
from labkit.core.cautions import CAUTIONS
from labkit.core.grading.grade import side_tolerance
from labkit.core.grading.prescription import Side
from labkit.core.jsonable import jsonable
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.rod.parts import Part
from labkit.core.rod.rods import Process
from labkit.core.spreadsheet import cell
from labkit.documents.set_spec import (
    Engraved,
    PartFiles,
    Program,
    ReplacedRod,
    SetPart,
    SetPlate,
    SetSpec,
    SetUse,
    StepTolerances,
)
from labkit.units import as_written
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.job import Job, Ticket

_CSV_HEADER = (
    "case", "revision", "step", "percent", "advancement_mm", "start", "left_label", "right_label",
    "left_exact_mm", "right_exact_mm", "made_advancement_mm", "made_percent",
)


def inputs_sha256(
    case: Case, process: Process, lettering: Lettering, extra: Mapping[str, Any] | None = None
) -> str:
    """Digest everything that the rods of a set are made from, so that equal sets can be told.

    What papers look like does not belong to it: another profile makes no other rod.

    Args:
        case: Prescription, template and graded lengths.
        extra: Of extra rods, the steps asked for and the rods beside them.

    Returns:
        SHA-256 over canonical JSON, hexadecimal. Prescription, template and process go in with
        every digit: all are typed, or sums and products of it, which no processor rounds otherwise.
    """
    others = {"lettering": jsonable(lettering), **(extra or {})}
    return _digest(case, process, as_written(others))


def is_of_job(spec: Mapping[str, Any], job: Job) -> bool:
    """Tell whether a set was made from what a job would make it from.

    Args:
        spec: Content of its spacer-set.json. Before lettering counted, the profile did: such a
            set is held against the digest of then.
    """
    kept = spec["inputs_sha256"]
    if kept == job.inputs_sha256:
        return True
    with_profile = {"profile": profile_json(profile_of(spec))}
    return bool(kept == _digest(job.case, job.means.process, with_profile))


def _digest(case: Case, process: Process, others: Mapping[str, Any]) -> str:
    inputs = {
        "program": labkit.__version__,
        "prescription": jsonable(case.prescription),
        "template": jsonable(case.template),
        "process": jsonable(process),
        **others,
    }
    text = json.dumps(inputs, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def set_spec(
    job: Job, ticket: Ticket, files: Mapping[str, PartFiles], plates: Sequence[SetPlate]
) -> SetSpec:
    """Give what spacer-set.json says of a set that was built.

    Args:
        ticket: Its revision and the identifiers of its rods.
        files: Names of the files of each part, relative to the set.
    """
    case, rx = job.case, job.case.prescription
    return SetSpec(
        program=Program("labkit", labkit.__version__),
        case=rx.case,
        revision=ticket.revision,
        date=rx.date,
        inputs_sha256=job.inputs_sha256,
        prescription=rx,
        template=case.template,
        process=job.means.process,
        profile=job.means.profile,
        lengths=case.spacer_set,
        series=tuple(
            replace(place, set_revision=ticket.revision) if place.new else place
            for place in job.series
        ),
        replaces=tuple(
            ReplacedRod(*place, one.identifier, one.set_name, one.revision)
            for place in job.places() if (one := job.replaces.get(place))
        ),
        tolerances_mm=tuple(_tolerances(case)),
        cautions=CAUTIONS,
        parts=tuple(
            set_part(part, engraving, ticket, files[part.rod.part])
            for part, engraving in job.planned
        ),
        plates=tuple(plates),
    )


def set_part(part: Part, engraving: Engraving, ticket: Ticket, files: PartFiles) -> SetPart:
    """Describe one part of a set, with the identifiers of its rods."""
    rod = part.rod
    return SetPart(
        part=rod.part,
        length=rod.length,
        mark=rod.mark,
        hand=rod.hand,
        quantity=part.quantity,
        uses=tuple(
            SetUse(use.step, use.side, ticket.identifier(use.step, use.side)) for use in part.uses
        ),
        engraving=Engraved.of(engraving),
        files=files,
    )


def csv_rows(spec: SetSpec) -> list[list[str]]:
    """Make the rows of spacer-set.csv: one for each step, both sides.

    Of rods that take the place of others, only their steps; a side that was not made is empty.

    Args:
        spec: As read back from what is written, so that both have the same digits.

    Returns:
        Header and rows, all text.
    """
    rows = [list(_CSV_HEADER)]
    made = {(use.step, use.side) for part in spec.parts for use in part.uses}
    for number, step in enumerate(spec.lengths.steps, 1):
        labels = [step.rod(side).label if (number, side) in made else "" for side in Side]
        if any(labels):
            rows.append([
                cell(spec.case),
                str(spec.revision),
                str(number),
                repr(step.percent),
                repr(step.advancement_mm),
                "yes" if step.start else "no",
                *labels,
                repr(step.left.exact_mm),
                repr(step.right.exact_mm),
                repr(step.made.advancement_mm),
                repr(step.made.percent),
            ])
    return rows


def _tolerances(case: Case) -> Iterator[StepTolerances]:
    """Give the tolerances of each step: of both rods, and of left minus right."""
    for step in case.spacer_set.steps:
        sides = side_tolerance(step, case.prescription.grading)
        yield StepTolerances(
            float(step.left.tolerance_mm), float(step.right.tolerance_mm), float(sides)
        )
