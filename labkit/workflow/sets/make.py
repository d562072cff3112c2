"""From a graded case to a finished set: build, write, re-read, measure, rename."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import labkit
from labkit.core.label.lettering import Engraving
from labkit.core.rod.compensation import compensated
from labkit.core.rod.lying import chosen, height_mm
from labkit.core.rod.parts import Part
from labkit.documents.papers import layouts_not_used
from labkit.documents.set_spec import PartFiles, PlateItem, PlatePlace, SetPlate, SetSpec
from labkit.documents.standing import standing_sentences
from labkit.exports.write.set_folder import (
    SPEC_FILE,
    Place,
    held,
    new_set,
    write_json,
)
from labkit.units import as_written, written
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.job import NOTHING_WISHED, Job, Means, Ticket, Wishes
from labkit.workflow.sets.papers import count_papers, write_papers
from labkit.workflow.sets.planned import planned_parts
from labkit.workflow.sets.spec import csv_rows, inputs_sha256, set_spec

if TYPE_CHECKING:
    from labkit.exports.check.part import PartCheck
    from labkit.exports.check.plate import PlateCheck
    from labkit.exports.write.mesh import Mesh
    from labkit.exports.write.plates import PlatePlan
    from labkit.workflow.record.recorder import Recorder
    from labkit.workflow.sets.again import MadeBefore

#: Told of each part or plate that is done, with a word for people.
Progress = Callable[[str], None]
#: Places on a build plate are written to 0.1 µm.
PLACEMENT_DECIMALS = 4


@dataclass(frozen=True, eq=False)
class MadePart:
    """A part with its written files and what they measure.

    Args:
        engraving: Its label as laid out.
        mesh: Its mesh as in the STL, for the build plate.
    """

    part: Part
    engraving: Engraving
    files: PartFiles
    check: PartCheck
    mesh: Mesh


@dataclass(frozen=True)
class MadeSet:
    """A finished set.

    Args:
        folder: Where it lies.
        spec: Content of its spacer-set.json.
        changed: Sentences on top of its papers, where another range holds than the one that
            rods on them were made for; then one on layouts not used because of that.
        again: What was done, in a sentence, where the set was made before; else empty.
    """

    folder: Path
    spec: dict[str, Any]
    parts: tuple[MadePart, ...]
    changed: tuple[str, ...]
    again: str = ""


def count_files(case: Case, means: Means) -> int:
    """Count what a set consists of, for a progress bar.

    Raises:
        RefusedError: As `planned_parts`.
    """
    parts = len(planned_parts(case, means.process, means.lettering))
    return parts + 1 + count_papers(parts)


def job_of(case: Case, means: Means) -> Job:
    """Work out the set of a case, before anything is built.

    Raises:
        RefusedError: As `planned_parts`.
    """
    planned = planned_parts(case, means.process, means.lettering)
    digest = inputs_sha256(case, means.process, means.lettering)
    return Job(case, means, tuple(planned), digest)


def make_set(
    case: Case, means: Means, out: Path, progress: Progress, recorder: Recorder | None = None,
    wishes: Wishes = NOTHING_WISHED,
) -> MadeSet:
    """Make a finished set of one case, unless it is made already.

    Args:
        progress: Told after each part, plate and paper.
        recorder: Records it; None where it is not recorded.

    Returns:
        The set as it lies in `out`.

    Raises:
        RefusedError: A rule refuses the case, a rod in circulation could be taken for a new one, a
            file does not measure as it should, the set is made already, it cannot be put in its
            place, or it cannot be recorded. Nothing is left behind.
    """
    from labkit.workflow.sets.again import made_before

    job = job_of(case, means)

    def begin(last: int) -> tuple[Job, Ticket]:
        if recorder is None:
            return job, Ticket(job.inputs_sha256, last + 1)
        return recorder.start_beside(job, out, last, take_back=wishes.take_back)

    with held(out, job.number):
        if recorder is not None:
            recorder.settle(job.number)
        before = made_before(job, out, recorder, wishes)
        if before is None:
            return _build_held(out, job.number, begin, progress, recorder)
        return _made_again(before, progress)


def _made_again(before: MadeBefore, progress: Progress) -> MadeSet:
    parts: list[MadePart] = []

    def build(job: Job, ticket: Ticket, place: Place) -> dict[str, Any]:
        made, spec = _Work(job, ticket, place).do(progress)
        parts.extend(made)
        return spec

    done = before.make_again(build, progress)
    return MadeSet(
        done.folder, done.spec, tuple(parts), _changed(done.shown), done.told
    )


#: Told the highest revision that lies in the folder; works out the set and reserves its names.
Begin = Callable[[int], tuple[Job, Ticket]]


def build_set(
    out: Path, case: str, begin: Begin, progress: Progress, recorder: Recorder | None
) -> MadeSet:
    """Build a set: hold its place, settle what killed runs left, work out, reserve, build, record.

    Args:
        begin: Works out the set and reserves its revision and identifiers.
        progress: Told after each part, plate and paper.

    Returns:
        The set as it lies in `out`.

    Raises:
        RefusedError: As `make_set`.
    """
    with held(out, case):
        if recorder is not None:
            recorder.settle(case)
        return _build_held(out, case, begin, progress, recorder)


def _build_held(
    out: Path, case: str, begin: Begin, progress: Progress, recorder: Recorder | None
) -> MadeSet:
    begun: list[tuple[Job, Ticket]] = []

    def choose(last: int) -> int:
        begun.append(begin(last))
        return begun[0][1].revision

    try:
        with new_set(out, case, choose) as place:
            work = _Work(*begun[0], place)
            made, spec = work.do(progress)
            shown = spec if recorder is None else _as_it_stands(spec, recorder)
            write_papers(place.staging, shown, place.staging, progress)
    except BaseException as error:
        if begun and recorder is not None:
            recorder.failed(out, *begun[0], error)
        raise
    if recorder is not None:
        recorder.made(place, begun[0][0], spec)
    return MadeSet(place.final, spec, made, _changed(shown))


def _changed(shown: dict[str, Any]) -> tuple[str, ...]:
    return (*standing_sentences(shown), *layouts_not_used(shown))


def _as_it_stands(spec: dict[str, Any], recorder: Recorder) -> dict[str, Any]:
    """Put beside the content of a set what the record says that holds now of it."""
    from labkit.workflow.sets.standing import with_standing

    return with_standing(spec, recorder.ledger)


@dataclass(frozen=True)
class _Work:
    """One set in the making: what it is made from and where it is written."""

    job: Job
    ticket: Ticket
    place: Place

    @property
    def case(self) -> Case:
        """The graded case."""
        return self.job.case

    @property
    def means(self) -> Means:
        """What it is made with."""
        return self.job.means

    def do(self, progress: Progress) -> tuple[tuple[MadePart, ...], dict[str, Any]]:
        """Make everything but the papers: parts and spec."""
        made = []
        for part, engraving in self.job.planned:
            made.append(self.make_part(part, engraving))
            progress(part.rod.part)
        plates = self.make_plates(made)
        progress("plates")
        return tuple(made), self.write_records(made, plates)

    def make_part(self, part: Part, engraving: Engraving) -> MadePart:
        """Build one part, write its files, and measure them as written."""
        from labkit.exports.rod_files import RodFiles, require_rod, write_rod

        rx, means = self.case.prescription, self.means
        name = f"{self.place.name}_{part.rod.part}"
        files = RodFiles(self.place.staging, name, rx.date.isoformat())
        mesh, check = write_rod(
            part.rod, engraving, means.process.compensation, files, means.lettering
        )
        require_rod(f"part {part.rod.part} of case {rx.case}", check, "the set is not delivered")
        return MadePart(part, engraving, PartFiles(files.step, files.stl), check, mesh)

    def make_plates(self, made: list[MadePart]) -> list[tuple[str, PlatePlan, PlateCheck]]:
        """Lay the parts out on build plates, write them, and read them back strictly."""
        from labkit.exports.check.plate import check_plate
        from labkit.exports.rod_files import require_plate
        from labkit.exports.write.plates import PlatePart, plan_plates
        from labkit.exports.write.threemf import PlateMetadata, write_plate

        name, rx, process = self.place.name, self.case.prescription, self.means.process
        lying = chosen(self.case.template, process)
        parts = [
            PlatePart(
                name=f"{name}_{m.part.rod.part}",
                number=m.part.rod.part,
                vertices=m.mesh.vertices,
                triangles=m.mesh.triangles,
                quantity=m.part.quantity,
                hand=m.part.rod.hand,
                height_mm=height_mm(
                    compensated(self.case.template, m.part.rod.length, process.compensation),
                    lying.way,
                ),
                way=lying.way,
                lift_mm=lying.lift_mm,
            )
            for m in made
        ]
        plates = []
        for plan in plan_plates(parts, process.plate):
            file = f"plates/{name}_plate-{plan.number}.3mf"
            metadata = PlateMetadata(
                case=rx.case,
                title=f"{name}, plate {plan.number} of {plan.of}",
                designer=f"labkit {labkit.__version__}",
                description=f"Connector rods, process {process.name}",
                date=rx.date.isoformat(),
            )
            write_plate(plan, self._path(file), metadata)
            check = check_plate(self._path(file), plan)
            what = f"plate {plan.number} of case {rx.case}"
            require_plate(what, check, "the set is not delivered")
            plates.append((file, plan, check))
        return plates

    def write_records(
        self, made: list[MadePart], plates: list[tuple[str, PlatePlan, PlateCheck]]
    ) -> dict[str, Any]:
        """Write the spec, the table of steps and the check report."""
        files = {m.part.rod.part: m.files for m in made}
        told = set_spec(self.job, self.ticket, files, [set_plate(*one[:2]) for one in plates])
        # The papers are set from what is written, so that they can be set again from the file.
        content: dict[str, Any] = as_written(told.content())
        spec, root = SetSpec.read(content), self.place.staging
        write_json(root / SPEC_FILE, content)
        with (root / "spacer-set.csv").open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows(csv_rows(spec))
        report = {
            "schema": 1,
            "case": spec.case,
            "revision": spec.revision,
            "process": self.means.process.name,
            "parts": [m.check.to_json() for m in made],
            "plates": [check.to_json() for _, _, check in plates],
        }
        write_json(root / "checks.json", report)
        return content

    def _path(self, file: str) -> Path:
        path = self.place.staging / file
        path.parent.mkdir(exist_ok=True)
        return path


def set_plate(file: str, plan: PlatePlan) -> SetPlate:
    """Describe one build plate.

    Args:
        file: Name of its file, relative to the set.
    """
    numbers = [plan.parts[placement.part].number for placement in plan.placements]
    places = (
        (each.x_mm, each.y_mm, each.width_mm, each.depth_mm) for each in plan.placements
    )
    return SetPlate(
        file=file,
        bed_mm=(plan.plate.width_mm, plan.plate.depth_mm),
        items=tuple(PlateItem(*item) for item in Counter(numbers).items()),
        placements=tuple(
            PlatePlace(number, *(written(value, PLACEMENT_DECIMALS) for value in place))
            for number, place in zip(numbers, places, strict=True)
        ),
        lies=plan.parts[0].way,
    )
