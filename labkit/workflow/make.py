"""From a graded case to a finished set: build, write, re-read, measure, rename."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.core.label_place import check_label
from labkit.core.layout import lay_out
from labkit.core.lettering import Engraving, Lettering
from labkit.core.parts import Part, parts_of
from labkit.core.rods import Process
from labkit.errors import CheckError
from labkit.exports.set_folder import Place, new_set
from labkit.workflow.cases import Case, refuse_if_refused
from labkit.workflow.spec import inputs_sha256

if TYPE_CHECKING:
    from labkit.exports.check_part import PartCheck

#: Told of each part or plate that is done, with a word for people.
Progress = Callable[[str], None]


@dataclass(frozen=True)
class MadePart:
    """A part with its written files and what they measure.

    Args:
        part: The part.
        engraving: Its label as laid out.
        files: Names of its files by kind, relative to the set.
        check: The check of its files.
        vertices, triangles: Its mesh, for the build plate.
    """

    part: Part
    engraving: Engraving
    files: dict[str, str]
    check: PartCheck
    mesh: Any


@dataclass(frozen=True)
class MadeSet:
    """A finished set.

    Args:
        folder: Where it lies.
        spec: Content of its spacer-set.json.
        parts: Its parts.
    """

    folder: Path
    spec: dict[str, Any]
    parts: tuple[MadePart, ...]


def planned_parts(
    case: Case, process: Process, lettering: Lettering
) -> list[tuple[Part, Engraving]]:
    """List the parts of a case with their labels, before anything is built.

    Args:
        case: A graded case.
        process: Process.
        lettering: Lettering.

    Returns:
        Parts with laid-out labels.

    Raises:
        RefusedError: The case is refused, or a label does not fit or is not legible.
    """
    refuse_if_refused(case)
    planned = []
    for part in parts_of(case.spacer_set, case.template):
        rod = part.rod
        engraving = lay_out(lettering, rod.engraving, rod.bar, rod.template.label.height_mm)
        check_label(rod.template, process, engraving, float(rod.length))
        planned.append((part, engraving))
    return planned


def make_set(
    case: Case, process: Process, lettering: Lettering, out: Path, progress: Progress
) -> MadeSet:
    """Make a finished set of one case.

    Args:
        case: A graded case.
        process: Process.
        lettering: Lettering.
        out: Folder that holds the sets.
        progress: Told after each part and plate.

    Returns:
        The set as it lies in `out`.

    Raises:
        RefusedError: A rule refuses the case, a file does not measure as it should, or the set
            cannot be put in its place. Nothing is left behind.
    """
    planned = planned_parts(case, process, lettering)
    with new_set(out, case.prescription.case, inputs_sha256(case, process)) as place:
        made = []
        for part, engraving in planned:
            made.append(_make_part(case, process, lettering, place, part, engraving))
            progress(part.rod.part)
        plates = _write_plates(case, process, place, made)
        progress("plates")
        spec = _write_papers(case, process, place, made, plates)
    return MadeSet(place.final, spec, tuple(made))


def _make_part(
    case: Case,
    process: Process,
    lettering: Lettering,
    place: Place,
    part: Part,
    engraving: Engraving,
) -> MadePart:
    from labkit.exports.check_part import check_part
    from labkit.exports.mesh import mesh_of
    from labkit.exports.step import StepHeader, write_step
    from labkit.exports.stl import write_stl
    from labkit.solids.build import build

    stem = f"{place.name}_{part.rod.part}"
    files = {"step": f"step/{stem}.step", "stl": f"stl/{stem}.stl"}
    step_path, stl_path = (place.staging / files[kind] for kind in ("step", "stl"))
    step_path.parent.mkdir(exist_ok=True)
    stl_path.parent.mkdir(exist_ok=True)
    nominal = build(part.rod, engraving)
    write_step(nominal.shape, step_path, StepHeader(stem, case.prescription.date.isoformat()))
    built = build(part.rod, engraving, process.compensation)
    mesh = mesh_of(built.shape)
    write_stl(mesh, stl_path, stem)
    check = check_part(
        part.rod, process.compensation, step_path, stl_path, lettering, built.volume_mm3
    )
    if check.failures:
        raise CheckError(
            f"part {part.rod.part} of case {case.prescription.case} does not measure as it "
            f"should: {'; '.join(check.failures)}; the set is not delivered",
            field=part.rod.part,
        )
    return MadePart(part, engraving, files, check, mesh)
