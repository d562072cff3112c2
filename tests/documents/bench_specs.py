"""Contents of spacer-set.json for the papers' tests, made without building a solid."""

from __future__ import annotations

import json
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import find_process, processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.rod.building import Way
from labkit.core.rod.lying import chosen
from labkit.core.rod.parts import parts_of
from labkit.documents.rod_picture import box_mm
from labkit.documents.set_spec import PartFiles
from labkit.exports.write.set_folder import safe_name
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Job, Means, Ticket
from labkit.workflow.sets.spec import inputs_sha256, set_spec
from tests.support.prescriptions import SMALLEST, changed, hinged, source

HOSTILE = "=A*b_ #x $y$ @c \\<d> \"q\" `r`"
SIX = changed(SMALLEST, ("[50, 62.5, 75, 87.5, 100]", "[50, 60, 70, 80, 90, 100]"),
              ("start = 62.5", "start = 60"))
FOURTEEN = changed(
    SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5",
               "first = 35\nlast = 100\nsteps = 14\nstart = 50"))
UNEQUAL = changed(
    SIX, ("pin_distance = 33.6",
          "[appliance.left]\npin_distance = 33.6\n[appliance.right]\npin_distance = 33.9"))
LONG_CASE = changed(SIX, ("QF-1043", "QF-1043/2031-ORTHO_DISTAL-00000000001234"))
assert len("QF-1043/2031-ORTHO_DISTAL-00000000001234") == 40
#: Upside down, 66.9 reads as 6.99.
BARRED = changed(SIX, ("pin_distance = 33.6", "pin_distance = 66.9"))
HOSTILE_CASE = changed(SIX, ('"QF-1043"', "'" + HOSTILE + "'"))
BALLS = changed(SIX, ("eye-eye-flat", "ball-ball-round"))
MIRRORED = hinged()
PUSH = changed(SIX, ('"pull"', '"push"'), ("eye-eye-flat", "eye-eye-flat-slim"))


def spec_of(
    text: str = SIX, process_name: str = "example-resin", revision: int = 1
) -> dict[str, Any]:
    """Give the content of a set's JSON file, as read back from text."""
    case = open_case(source(text), rod_templates())
    assert case.refusals == ()
    process, lettering = find_process(processes(), process_name), load_lettering()
    profile = default_profile()
    planned, files, boxes, way = [], {}, [], chosen(case.template, process).way
    for part in parts_of(case.spacer_set, case.template):
        rod = part.rod
        engraving = lay_out(lettering, rod.engraving, rod.bar, rod.template.label.height_mm)
        stem = f"{safe_name(case.prescription.case)}-r{revision}_{rod.part}"
        planned.append((part, engraving))
        files[rod.part] = PartFiles(f"step/{stem}.step", f"stl/{stem}.stl")
        left, right, bottom, top = box_mm(rod, way)
        boxes += [(rod.part, right - left, top - bottom)] * part.quantity
    plates = plates_of(boxes, process.plate)
    for plate in plates if way is not Way.FLAT else ():
        plate["lies"] = way.value
    means, digest = Means(process, lettering, profile), inputs_sha256(case, process, lettering)
    job = Job(case, means, tuple(planned), digest)
    spec = set_spec(job, Ticket(digest, revision), files, ())
    return json.loads(json.dumps({**spec.content(), "plates": plates}))


def plates_of(boxes, plate) -> list[dict[str, Any]]:
    """Put boxes in rows on beds, in a plain way of the tests' own."""
    plates: list[dict[str, Any]] = []
    x = y = float("inf")
    for part, width, depth in boxes:
        if x + width > plate.width_mm - plate.border_mm:
            x, y = plate.border_mm, y + depth + plate.spacing_mm
        if y + depth > plate.depth_mm - plate.border_mm:
            x = y = plate.border_mm
            plates.append({"file": f"plates/plate-{len(plates) + 1}.3mf",
                           "bed_mm": [plate.width_mm, plate.depth_mm], "items": [],
                           "placements": []})
        place = {"part": part, "x_mm": x, "y_mm": y, "width_mm": width, "depth_mm": depth}
        plates[-1]["placements"].append(place)
        x += width + plate.spacing_mm
    for made in plates:
        names = [p["part"] for p in made["placements"]]
        made["items"] = [{"part": n, "quantity": names.count(n)} for n in dict.fromkeys(names)]
    return plates
