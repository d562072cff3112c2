"""The rods of a prescription as solids to be looked at, before a set is made."""

from __future__ import annotations

import hashlib
import json

from labkit.commit import version_and_commit
from labkit.core.jsonable import jsonable
from labkit.core.label.lettering import Lettering
from labkit.core.rod.parts import parts_of
from labkit.core.rod.rods import Process
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.planned import planned_parts


def solids_glb(case: Case, process: Process, lettering: Lettering) -> bytes:
    """Take every rod from its template's body at nominal size, with its label, as one GLB file.

    Raises:
        RefusedError: The case is refused, or a rod cannot be built.
    """
    from labkit.exports.pictures.glb import set_glb
    from labkit.exports.pictures.placing import placed_by_length
    from labkit.exports.pictures.shading import ShownRod
    from labkit.exports.write.rod import rod_shape

    shown = [
        ShownRod(part.rod, rod_shape(part.rod, engraving).mesh())
        for part, engraving in planned_parts(case, process, lettering)
    ]
    return set_glb(placed_by_length(shown), "rods")


def solids_digest(case: Case) -> str:
    """Give the SHA-256 of all that the solids follow from: rods alike are built once."""
    parts = parts_of(case.spacer_set, case.template, case.marked, case.prescription.case_mark)
    told = [
        version_and_commit(), jsonable(case.template),
        [[part.rod.part, str(part.rod.length), part.rod.engraving, part.rod.bar,
          part.rod.case_mark, str(part.rod.hand)] for part in parts],
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()
