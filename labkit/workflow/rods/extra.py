"""Extra rods for a recorded case: only the new ones, made as the first ones were."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.profiles import Profile, profile_of
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.cover import TolerancedRod
from labkit.core.case.extra_requests import ExtraRequest
from labkit.core.case.extra_rods import ExtraRods, SeriesRow, extra_rods
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import LengthLimits
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.rod.parts import Part
from labkit.core.rod.rods import Process, RodTemplate
from labkit.documents.set_spec import SeriesPlace
from labkit.errors import LedgerError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.workflow.record.case_mark import case_mark_of
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.rods.slots import wanted_sets
from labkit.workflow.sets.as_stored import as_stored
from labkit.workflow.sets.cases import Case
from labkit.workflow.sets.circulation import bear_marks
from labkit.workflow.sets.job import Job, Means, Ticket
from labkit.workflow.sets.make import MadeSet, Progress, build_set
from labkit.workflow.sets.planned import planned_parts
from labkit.workflow.sets.spec import inputs_sha256
from labkit.workflow.sets.stored_case import pair_of, rods_out


@dataclass(frozen=True)
class ExtraOrder:
    """What is ordered.

    Args:
        template_as_stored: Take the recorded template where the installed one has changed.
        process_as_stored: Take the recorded process where the installed one has changed.
    """

    case: str
    requests: tuple[ExtraRequest, ...]
    template_as_stored: bool = False
    process_as_stored: bool = False


@dataclass(frozen=True)
class Installed:
    """What is installed in the lab now.

    Args:
        profile: The lab's profile; None for the one that the case's last set was made with.
    """

    templates: Mapping[str, RodTemplate]
    processes: Mapping[str, Process]
    lettering: Lettering
    profile: Profile | None = None


def make_extra(
    order: ExtraOrder, installed: Installed, out: Path, progress: Progress, recorder: Recorder
) -> MadeSet:
    """Make extra rods of a recorded case as the next set of the case.

    Args:
        order: What is ordered.
        installed: What is installed now, held against the record.
        progress: Told after each part, plate and paper.

    Returns:
        The set of the new rods as it lies in `out`; its spec has the whole series.

    Raises:
        RefusedError: A rod exists or is too near to one that is out, the template or process
            has changed, or as `make_set`.
        LedgerError: The case has no recorded set, or the ledger cannot be written.
    """
    ledger = recorder.ledger
    need_case(ledger, order.case)  # an unknown case leaves no folder and no lock behind
    last_set(ledger, order.case)

    def begin(last: int) -> tuple[Job, Ticket]:
        # Under the write lock: the rods that are out cannot change between looking and reserving.
        with ledger.transaction():
            plan = extra_plan(ledger, order, installed)
            job = plan.job(installed.lettering)
            return job, recorder.start(job, out, last, plan.asked)

    return build_set(out, order.case, begin, progress, recorder)


@dataclass(frozen=True)
class ExtraPlan:
    """Extra rods worked out from the record; refusals are among the findings of the case.

    Args:
        process: What they are to be made with.
        series: The whole series, new settings with the revision 0.
        marked: Whether they bear L and R.
        asked: What was asked for each step, in words.
    """

    case: Case
    process: Process
    profile: Profile
    series: tuple[SeriesPlace, ...]
    marked: bool
    asked: tuple[str, ...]

    def job(self, lettering: Lettering) -> Job:
        """Make ready what is to be built.

        Raises:
            RefusedError: As `planned_parts`.
        """
        asked = {"extra": [vars(place) for place in self.series]}
        return Job(
            self.case, Means(self.process, lettering, self.profile),
            tuple(self.planned(lettering)),
            inputs_sha256(self.case, self.process, lettering, asked), self.series,
        )

    def planned(self, lettering: Lettering) -> list[tuple[Part, Engraving]]:
        """List the parts with their labels.

        Raises:
            RefusedError: As `planned_parts`.
        """
        return planned_parts(replace(self.case, marked=self.marked), self.process, lettering)

    @property
    def lengths(self) -> frozenset[Decimal]:
        """Lengths of the new rods, mm."""
        steps = self.case.spacer_set.steps
        return frozenset(step.rod(side).length for step in steps for side in Side)


def extra_plan(reader: Reader, order: ExtraOrder, installed: Installed) -> ExtraPlan:
    """Work out extra rods from the record; nothing is written.

    Raises:
        RefusedError: The template or process has changed.
        InputError, LedgerError: The case has no recorded set.
    """
    need_case(reader, order.case)
    made = last_set(reader, order.case)
    template = _template(reader, order, made, installed.templates)
    process = as_stored(Process,
        made.process, installed.processes, made.name, accept=order.process_as_stored
    )
    sets, rods = reader.sets(order.case), reader.rods(order.case)
    found, case = _graded(reader, order, template, (installed.templates, rods_out(sets, rods)))
    profile = installed.profile or profile_of(made.content)
    series = _series(found.series, rods, {one.name: one.set_revision for one in sets})
    marked = bear_marks(sets, ((row.left, row.right) for row in found.series))
    return ExtraPlan(case, process, profile, series, marked, found.asked)


def _template(
    reader: Reader, order: ExtraOrder, made: StoredSet, installed: Mapping[str, RodTemplate]
) -> RodTemplate:
    """Take the template of the last set, with the place of a case mark where the case has one now.

    Raises:
        RefusedError: It has changed since.
    """
    mark, recorded = case_mark_of(reader.prescription(order.case)), made.template.content
    had_place = recorded.get("case_mark") is not None
    known = installed if had_place else {name: t.used_for("") for name, t in installed.items()}
    accept = order.template_as_stored
    template = as_stored(RodTemplate, made.template, known, made.name, accept=accept)
    if mark and not had_place and not accept:  # a mark that the case was given later
        template = replace(template, case_mark=installed[template.name].case_mark)
    return template.used_for(mark)


def last_set(ledger: Reader, case: str) -> StoredSet:
    """Give the newest made set of a case; rods in place of others are made as older ones were.

    Raises:
        LedgerError: There is none.
    """
    made = wanted_sets(ledger, case)
    if not made:
        raise LedgerError(
            f"the ledger has no finished set of the case {case!r}, to which rods could be added; "
            "make its first set with `labkit make --by`",
            field="case", value=case,
        )
    return made[-1]


def _graded(
    ledger: Reader,
    order: ExtraOrder,
    template: RodTemplate,
    known: tuple[Mapping[str, RodTemplate], tuple[TolerancedRod, ...]],
) -> tuple[ExtraRods, Case]:
    stored, (installed, out) = ledger.prescription(order.case), known
    source = parse_toml(stored.text, f"{order.case}, prescription revision {stored.revision}")
    prescription, remarks = read_prescription(source, {**installed, template.name: template})
    if prescription.template != template.name:
        raise RefusedError(
            f"names the template {prescription.template}, but the rods of the last set are of "
            f"{template.name}; make a whole set of the new template with `labkit make`",
            where=source.name, field="appliance.template", value=prescription.template,
        )
    found = extra_rods(prescription, out, order.requests, LengthLimits.of(template))
    graded = replace(found.spacer_set, findings=(*remarks, *found.spacer_set.findings))
    return found, Case(source, prescription, template, graded)


def _series(
    rows: tuple[SeriesRow, ...], rods: tuple[StoredRod, ...], revisions: Mapping[str, int]
) -> tuple[SeriesPlace, ...]:
    known = {pair_of(rod): rod for rod in rods}
    return tuple(
        SeriesPlace(
            set_revision=0 if row.new else revisions[known[row.pair].first_set],
            step=int(row.pair) if row.new else known[row.pair].step,
            new=row.new,
            percent=row.percent,
            advancement_mm=row.advancement_mm,
            left=row.left,
            right=row.right,
        )
        for row in rows
    )
