"""From a graded case to a finished set: build, write, re-read, measure, rename."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import labkit
from labkit.catalog.profiles import Profile
from labkit.core.label_place import check_label
from labkit.core.layout import lay_out
from labkit.core.lettering import Engraving, Lettering
from labkit.core.parts import Part, parts_of
from labkit.core.rods import Compensation, Process
from labkit.errors import CheckError
from labkit.exports.set_folder import SPEC_FILE, Place, new_set, write_json
from labkit.workflow.cases import Case, refuse_if_refused
from labkit.workflow.papers import count_papers, write_papers
from labkit.workflow.spec import csv_rows, inputs_sha256, part_json, spec_json

if TYPE_CHECKING:
    from labkit.exports.check_part import PartCheck
    from labkit.exports.check_plate import PlateCheck
    from labkit.exports.mesh import Mesh
    from labkit.exports.plates import PlatePlan

#: Sizes as drawn.
NOMINAL = Compensation()
#: Told of each part or plate that is done, with a word for people.
Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class MadePart:
    """A part with its written files and what they measure.

    Args:
        part: The part.
        engraving: Its label as laid out.
        files: Names of its files by kind, relative to the set.
        check: The check of its files.
        mesh: Its mesh as in the STL, for the build plate.
    """

    part: Part
    engraving: Engraving
    files: dict[str, str]
    check: PartCheck
    mesh: Mesh


@dataclass(frozen=True)
class MadeSet:
    """A finished set.

    Args:
        folder: Where it lies.
        spec: Content of its spacer-set.json.
        parts: Its parts.
        problems: Sentences on papers that this machine could not make.
    """

    folder: Path
    spec: dict[str, Any]
    parts: tuple[MadePart, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True)
class Means:
    """What a lab makes a set with.

    Args:
        process: Process.
        lettering: Lettering of the labels.
        profile: The lab's profile, for the papers.
    """

    process: Process
    lettering: Lettering
    profile: Profile


def count_files(case: Case, means: Means) -> int:
    """Count what a set consists of, for a progress bar.

    Raises:
        RefusedError: As `planned_parts`.
    """
    parts = len(planned_parts(case, means.process, means.lettering))
    return parts + 1 + count_papers(parts)


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
        check_label(lettering, rod.template, process, engraving, float(rod.length))
        planned.append((part, engraving))
    return planned


def make_set(case: Case, means: Means, out: Path, progress: Progress) -> MadeSet:
    """Make a finished set of one case.

    Args:
        case: A graded case.
        means: What the lab makes it with.
        out: Folder that holds the sets.
        progress: Told after each part, plate and paper.

    Returns:
        The set as it lies in `out`.

    Raises:
        RefusedError: A rule refuses the case, a file does not measure as it should, or the set
            cannot be put in its place. Nothing is left behind.
    """
    planned = planned_parts(case, means.process, means.lettering)
    digest = inputs_sha256(case, means.process, means.profile)
    with new_set(out, case.prescription.case, digest) as place:
        work = _Work(case, means, place, digest)
        made = []
        for part, engraving in planned:
            made.append(work.make_part(part, engraving))
            progress(part.rod.part)
        plates = work.make_plates(made)
        progress("plates")
        spec = work.write_records(made, plates)
        problems = write_papers(place.staging, spec, place.staging, progress)
    return MadeSet(place.final, spec, tuple(made), problems)


@dataclass(frozen=True)
class _Work:
    """One set in the making: what it is made from and where it is written."""

    case: Case
    means: Means
    place: Place
    digest: str

    def make_part(self, part: Part, engraving: Engraving) -> MadePart:
        """Build one part, write its files, and measure them as written."""
        from labkit.exports.check_part import check_part
        from labkit.exports.mesh import mesh_of
        from labkit.exports.step import StepHeader, write_step
        from labkit.exports.stl import write_stl
        from labkit.solids.build import build

        rx = self.case.prescription
        stem = f"{self.place.name}_{part.rod.part}"
        files = {"step": f"step/{stem}.step", "stl": f"stl/{stem}.stl"}
        step_path, stl_path = (self._path(files[kind]) for kind in ("step", "stl"))
        nominal = build(part.rod, engraving)
        write_step(nominal.shape, step_path, StepHeader(stem, rx.date.isoformat()))
        compensation = self.means.process.compensation
        built = nominal if compensation == NOMINAL else build(part.rod, engraving, compensation)
        mesh = mesh_of(built.shape)
        write_stl(mesh, stl_path, stem)
        check = check_part(
            part.rod, compensation, step_path, stl_path, self.means.lettering, built.volume_mm3
        )
        self._require(f"part {part.rod.part}", check.failures)
        return MadePart(part, engraving, files, check, mesh)

    def make_plates(self, made: list[MadePart]) -> list[tuple[str, PlatePlan, PlateCheck]]:
        """Lay the parts out on build plates, write them, and read them back strictly."""
        from labkit.exports.check_plate import check_plate
        from labkit.exports.plates import PlatePart, plan_plates
        from labkit.exports.threemf import PlateMetadata, write_plate

        name, rx = self.place.name, self.case.prescription
        parts = [
            PlatePart(
                name=f"{name}_{m.part.rod.part}",
                number=m.part.rod.part,
                vertices=m.mesh.vertices,
                triangles=m.mesh.triangles,
                quantity=m.part.quantity,
                inward_y=m.part.rod.hand.inward_y,
            )
            for m in made
        ]
        plates = []
        for plan in plan_plates(parts, self.means.process.plate):
            file = f"plates/{name}_plate-{plan.number}.3mf"
            metadata = PlateMetadata(
                case=rx.case,
                title=f"{name}, plate {plan.number} of {plan.of}",
                designer=f"labkit {labkit.__version__}",
                description=f"Connector rods, process {self.means.process.name}",
                date=rx.date.isoformat(),
            )
            write_plate(plan, self._path(file), metadata)
            check = check_plate(self._path(file), plan)
            self._require(f"plate {plan.number}", check.failures)
            plates.append((file, plan, check))
        return plates

    def write_records(
        self, made: list[MadePart], plates: list[tuple[str, PlatePlan, PlateCheck]]
    ) -> dict[str, Any]:
        """Write the spec, the table of steps and the check report."""
        digest, revision = self.digest, self.place.revision
        spec = {
            **spec_json(self.case, self.means.process, self.means.profile, revision, digest),
            "parts": [part_json(m.part, m.files, m.engraving, digest, revision) for m in made],
            "plates": [plate_json(file, plan) for file, plan, _ in plates],
        }
        root = self.place.staging
        write_json(root / SPEC_FILE, spec)
        with (root / "spacer-set.csv").open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows(csv_rows(spec))
        report = {
            "schema": 1,
            "case": spec["case"],
            "revision": revision,
            "process": self.means.process.name,
            "parts": [m.check.to_json() for m in made],
            "plates": [check.to_json() for _, _, check in plates],
        }
        write_json(root / "checks.json", report)
        return spec

    def _path(self, file: str) -> Path:
        path = self.place.staging / file
        path.parent.mkdir(exist_ok=True)
        return path

    def _require(self, what: str, failures: tuple[str, ...]) -> None:
        if failures:
            raise CheckError(
                f"{what} of case {self.case.prescription.case} does not measure as it should: "
                f"{' '.join(failures)} The set is not delivered",
                field=what,
            )


def plate_json(file: str, plan: PlatePlan) -> dict[str, Any]:
    """Describe one build plate.

    Args:
        file: Name of its file, relative to the set.
        plan: Its plan.

    Returns:
        The object in spacer-set.json.
    """
    counts = Counter(plan.parts[placement.part].number for placement in plan.placements)
    return {
        "file": file,
        "bed_mm": [plan.plate.width_mm, plan.plate.depth_mm],
        "items": [{"part": part, "quantity": pieces} for part, pieces in counts.items()],
        "placements": [
            {
                "part": plan.parts[placement.part].number,
                "x_mm": round(placement.x_mm, 4),
                "y_mm": round(placement.y_mm, 4),
                "width_mm": round(placement.width_mm, 4),
                "depth_mm": round(placement.depth_mm, 4),
            }
            for placement in plan.placements
        ],
    }
