"""Cases recorded as `labkit make` records them, without a solid being built. Invented data."""

from __future__ import annotations

import hashlib

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.processes import processes
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.identifier import rod_identifier
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.jsonable import jsonable
from labkit.exports.write.set_folder import safe_name
from labkit.ledger.events import Kind

#: Unequal sides, everything that the three models want; MODEL and ACTION are put in.
UNEQUAL = """\
schema = 1
case = "CASE"   # the lab's number
date = 2031-03-14

[bite]
zero = "habitual"
retruded = -3.2
habitual = -2.0
protruded = 6.0  # gauge 2
registered = 2.4
midline_deviation = 1.2

[appliance]
action = "ACTION"
template = "TEMPLATE"
[appliance.left]
FRONT_LEFT
BACK_LEFT
[appliance.right]
FRONT_RIGHT
BACK_RIGHT

[jaw]
model = MODEL

[grading]
percent = [40, 60, 80, 100]
start = 60
"""
PARALLEL = """\
schema = 1
case = "CASE"
date = 2031-03-14

[bite]
zero = "retruded"
retruded = -4
protruded = 5.2
registered = 3

[appliance]
action = "ACTION"
template = "eye-eye-flat"
pin_distance = 30

[grading]
percent = [70, 80, 90, 100]
start = 70
"""


def unequal(case: str, model: str, action: str = "pull") -> str:
    """Give a prescription with unequal sides for any jaw model."""
    ends = ("upper", "lower") if action == "pull" else ("lower", "upper")
    high = 1 if action == "pull" else -1  # the upper seat lies above the lower one
    text = UNEQUAL.replace("CASE", case).replace("ACTION", action)
    for name, end, (x, y, z) in (
        ("FRONT_LEFT", ends[0], (-8.0, 27.0, 4.5)),
        ("BACK_LEFT", ends[1], (-32.4, 29.6, -7.0)),
        ("FRONT_RIGHT", ends[0], (-8.6, -26.4, 4.1)),
        ("BACK_RIGHT", ends[1], (-34.2, -30.2, -7.6)),
    ):
        text = text.replace(name, f"{end} = [{x}, {y}, {high * z:g}]")
    sliding = "\npath_inclination = 8  # measured" if model == "sliding" else ""
    return text.replace("TEMPLATE", "eye-eye-flat").replace("MODEL", f'"{model}"{sliding}')


def parallel(case: str, action: str = "pull") -> str:
    """Give a prescription whose rods run along the path: a 9.2 mm range, straight model."""
    return PARALLEL.replace("CASE", case).replace("ACTION", action)


def read(text: str):
    """Read a prescription text as the core knows it."""
    return read_prescription(parse_toml(text, "rx.toml"), rod_templates())[0]


def graded(text: str):
    """Grade a prescription text with its template."""
    prescription = read(text)
    return grade(prescription, LengthLimits.of(rod_templates()[prescription.template]))


def set_body(text: str, name: str, *, revision: int = 1, set_revision: int = 1, steps=None):
    """Give what a started set records: rods with identifiers, the template, the process."""
    prescription = read(text)
    digest = hashlib.sha256(name.encode()).hexdigest()
    chosen = graded(text).steps if steps is None else steps
    return {
        "set": name,
        "revision": revision,
        "set_revision": set_revision,
        "purpose": "set" if set_revision == 1 else "extra",
        "folder": f"sets/{name}",
        "inputs_sha256": digest,
        "program": "0.1.0",
        "template": jsonable(rod_templates()[prescription.template]),
        "process": jsonable(processes(())["nominal"]),
        "rods": [
            {
                "identifier": rod_identifier(digest, set_revision, number, str(side)),
                "step": number,
                "side": str(side),
                "length_um": int(step.rod(side).length * 1000),
                "label": step.rod(side).label,
                "percent": f"{step.percent:g}",
            }
            for number, step in enumerate(chosen, 1)
            for side in Side
        ],
    }


def make_case(pen, text: str) -> list[dict[str, object]]:
    """Record a case with its prescription and its first set, made; give its rods."""
    case = read(text).case
    pen(Kind.CASE_OPENED, case, {})
    pen(Kind.PRESCRIPTION, case, {"revision": 1, "text": text})
    return make_set(pen, case, set_body(text, f"{safe_name(case)}-r1"))


def make_set(pen, case: str, body) -> list[dict[str, object]]:
    """Record a set, begun and made; give its rods."""
    pen(Kind.SET_STARTED, case, body)
    name = body["set"]
    pen(
        Kind.SET_MADE,
        case,
        {"set": name, "folder": f"sets/{name}", "sums_sha256": "cd" * 32, "spec": {"schema": 1}},
    )
    return body["rods"]
