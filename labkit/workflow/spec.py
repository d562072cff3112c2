"""The content of spacer-set.json: the one source of everything else about a set."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import labkit
from labkit.catalog.profiles import Profile, profile_json
from labkit.core.cautions import CAUTIONS
from labkit.core.identifier import rod_identifier
from labkit.core.jsonable import jsonable
from labkit.core.lettering import Engraving
from labkit.core.parts import Part
from labkit.core.rods import Process
from labkit.core.spreadsheet import cell
from labkit.workflow.cases import Case, lengths_json


def inputs_sha256(case: Case, process: Process, profile: Profile) -> str:
    """Digest everything that a set is made from, so that equal sets can be told.

    Args:
        case: Prescription, template and graded lengths.
        process: Process.
        profile: The lab's profile.

    Returns:
        SHA-256 over canonical JSON, hexadecimal.
    """
    inputs = {
        "program": labkit.__version__,
        "prescription": jsonable(case.prescription),
        "template": jsonable(case.template),
        "process": jsonable(process),
        "profile": profile_json(profile),
    }
    text = json.dumps(inputs, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def spec_json(
    case: Case, process: Process, profile: Profile, revision: int, digest: str
) -> dict[str, Any]:
    """Give the content of spacer-set.json that is known before anything is built.

    Args:
        case: The graded case.
        process: Process.
        profile: The lab's profile.
        revision: Revision of the set.
        digest: What `inputs_sha256` gives.

    Returns:
        The object; parts and plates are still to be added.
    """
    return {
        "schema": 1,
        "program": {"name": "labkit", "version": labkit.__version__},
        "case": case.prescription.case,
        "revision": revision,
        "date": case.prescription.date.isoformat(),
        "inputs_sha256": digest,
        "prescription": jsonable(case.prescription),
        "template": {**jsonable(case.template), "handed": case.template.handed},
        "process": jsonable(process),
        "profile": profile_json(profile),
        "lengths": lengths_json(case),
        "tolerances_mm": _tolerances(case),
        "cautions": list(CAUTIONS),
    }


def part_json(
    part: Part, files: dict[str, str], engraving: Engraving, set_digest: str, revision: int
) -> dict[str, Any]:
    """Describe one part of a set.

    Args:
        part: The part.
        files: Names of its files by kind, relative to the set.
        engraving: Its label as laid out.
        set_digest: Digest of the set's inputs, from which rod identifiers are derived.
        revision: Revision of the set.

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
                "identifier": rod_identifier(set_digest, revision, use.step, use.side),
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
    for number, step in enumerate(spec["lengths"]["steps"], 1):
        rows.append(
            [
                cell(spec["case"]),
                str(spec["revision"]),
                str(number),
                repr(step["percent"]),
                repr(step["advancement_mm"]),
                "yes" if step["start"] else "no",
                step["left"]["label"],
                step["right"]["label"],
                repr(step["left"]["exact_mm"]),
                repr(step["right"]["exact_mm"]),
                repr(step["made"]["advancement_mm"]),
                repr(step["made"]["percent"]),
            ]
        )
    return rows


def _tolerances(case: Case) -> list[dict[str, float]]:
    return [
        {"left": float(step.left.tolerance_mm), "right": float(step.right.tolerance_mm)}
        for step in case.spacer_set.steps
    ]
