"""The parts of a set with their labels, before anything is built."""

from __future__ import annotations

from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.label.place import check_label, lay_out_rod
from labkit.core.rod.lying import chosen
from labkit.core.rod.parts import Part, parts_of
from labkit.core.rod.rods import Process
from labkit.core.rod.walls import check_walls
from labkit.workflow.sets.cases import Case, refuse_if_refused


def planned_parts(
    case: Case, process: Process, lettering: Lettering
) -> list[tuple[Part, Engraving]]:
    """List the parts of a case with their labels, before anything is built.

    Returns:
        Parts with laid-out labels.

    Raises:
        RefusedError: The case is refused, or a label does not fit or is not legible.
    """
    refuse_if_refused(case)
    check_walls(case.template, process)
    chosen(case.template, process)
    planned = []
    case_mark = case.prescription.case_mark
    for part in parts_of(case.spacer_set, case.template, case.marked, case_mark):
        rod = part.rod
        engraving = lay_out_rod(lettering, rod)
        check_label(lettering, rod.template, process, engraving, float(rod.length))
        planned.append((part, engraving))
    return planned
