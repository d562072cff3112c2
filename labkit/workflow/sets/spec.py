"""The content of spacer-set.json: the one source of everything else about a set."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import labkit
from labkit.catalog.profiles import Profile, profile_json
from labkit.core.cautions import CAUTIONS
from labkit.core.grading.grade import side_tolerance
from labkit.core.grading.prescription import JawModelName
from labkit.core.jsonable import jsonable
from labkit.core.label.lettering import Engraving
from labkit.core.rod.parts import Part
from labkit.core.rod.rods import Process
from labkit.core.spreadsheet import cell
from labkit.units import as_written
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.job import Job, Ticket, replaces_json, series_json
from labkit.workflow.sets.lengths_report import lengths_json

#: Values of [jaw] that each model computes with.
_JAW_VALUES = {
    JawModelName.STRAIGHT: (),
    JawModelName.SLIDING: ("path_inclination_deg",),
    JawModelName.HINGED: (
        "condylar_inclination_deg",
        "condyle_left",
        "condyle_right",
        "contact_inclination_deg",
        "pads_left",
        "pads_right",
        "incisal",
    ),
}


def inputs_sha256(
    case: Case, process: Process, profile: Profile, extra: Mapping[str, Any] | None = None
) -> str:
    """Digest everything that a set is made from, so that equal sets can be told.

    Args:
        case: Prescription, template and graded lengths.
        extra: Of extra rods, the steps asked for and the rods beside them.

    Returns:
        SHA-256 over canonical JSON, hexadecimal. Prescription, template and process go in with
        every digit: all are typed, or sums and products of it, which no processor rounds otherwise.
    """
    inputs = {
        "program": labkit.__version__,
        "prescription": jsonable(case.prescription),
        "template": jsonable(case.template),
        "process": jsonable(process),
        "profile": profile_json(profile),
        **as_written(extra or {}),
    }
    text = json.dumps(inputs, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def spec_json(job: Job, revision: int) -> dict[str, Any]:
    """Give the content of spacer-set.json that is known before anything is built.

    Returns:
        The object; parts and plates are still to be added. Extra rods have the whole series
        of the case under "series", rods that take the place of others those under "replaces".
    """
    case, process, profile = job.case, job.means.process, job.means.profile
    series = {"series": series_json(job.series, revision)} if job.series else {}
    replaces = {"replaces": replaces_json(job)} if job.replaces else {}
    return {
        "schema": 1,
        "program": {"name": "labkit", "version": labkit.__version__},
        "case": case.prescription.case,
        "revision": revision,
        "date": case.prescription.date.isoformat(),
        "inputs_sha256": job.inputs_sha256,
        "prescription": _prescription(case),
        "template": {**jsonable(case.template), "handed": case.template.handed},
        "process": jsonable(process),
        "profile": profile_json(profile),
        "lengths": lengths_json(case),
        **series,
        **replaces,
        "tolerances_mm": _tolerances(case),
        "cautions": list(CAUTIONS),
    }


def _prescription(case: Case) -> dict[str, Any]:
    """Give the prescription's values; what its jaw model does not know is None."""
    content: dict[str, Any] = jsonable(case.prescription)
    used = {"model", "assumed", *_JAW_VALUES[case.prescription.jaw.model]}
    jaw = content["jaw"]
    return {**content, "jaw": {k: v if k in used else None for k, v in jaw.items()}}


def part_json(
    part: Part, files: dict[str, str], engraving: Engraving, ticket: Ticket
) -> dict[str, Any]:
    """Describe one part of a set.

    Args:
        files: Names of its files by kind, relative to the set.
        ticket: The identifiers of the set's rods.

    Returns:
        The object in spacer-set.json.
    """
    rod = part.rod
    return {
        "part": rod.part,
        "label": rod.label,
        "length_mm": str(rod.length),
        "mark": rod.mark,
        "hand": rod.hand.value,
        "quantity": part.quantity,
        "uses": [
            {
                "step": use.step,
                "side": str(use.side),
                "identifier": ticket.identifier(use.step, use.side),
            }
            for use in part.uses
        ],
        "engraving": {
            "text": engraving.text,
            "bar": engraving.bar,
            "height_mm": engraving.height_mm,
            "stroke_mm": engraving.stroke_mm,
            "width_mm": engraving.width_mm,
            "box_height_mm": engraving.depth_mm,
        },
        "files": files,
    }


def csv_rows(spec: dict[str, Any]) -> list[list[str]]:
    """Make the rows of spacer-set.csv: one for each step, both sides.

    Of rods that take the place of others, only their steps; a side that was not made is empty.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        Header and rows, all text.
    """
    header = [
        "case",
        "revision",
        "step",
        "percent",
        "advancement_mm",
        "start",
        "left_label",
        "right_label",
        "left_exact_mm",
        "right_exact_mm",
        "made_advancement_mm",
        "made_percent",
    ]
    rows = [header]
    made = {(use["step"], use["side"]) for part in spec["parts"] for use in part["uses"]}
    for number, step in enumerate(spec["lengths"]["steps"], 1):
        sides = [side for side in ("left", "right") if (number, side) in made]
        if not sides:
            continue
        labels = {side: step[side]["label"] for side in sides}
        rows.append(
            [
                cell(spec["case"]),
                str(spec["revision"]),
                str(number),
                repr(step["percent"]),
                repr(step["advancement_mm"]),
                "yes" if step["start"] else "no",
                labels.get("left", ""),
                labels.get("right", ""),
                repr(step["left"]["exact_mm"]),
                repr(step["right"]["exact_mm"]),
                repr(step["made"]["advancement_mm"]),
                repr(step["made"]["percent"]),
            ]
        )
    return rows


def _tolerances(case: Case) -> list[dict[str, float]]:
    """Give the tolerances of each step: of both rods, and of left minus right."""
    grading = case.prescription.grading
    return [
        {
            "left": float(step.left.tolerance_mm),
            "right": float(step.right.tolerance_mm),
            "side_tolerance_mm": float(side_tolerance(step, grading)),
        }
        for step in case.spacer_set.steps
    ]
