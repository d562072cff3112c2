"""What an order of extra rods would make, before anything is written."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.case.case_standing import CaseStanding
from labkit.core.findings import notes_of
from labkit.core.report import Column, Report, Section, Table, only
from labkit.documents.set_spec import SeriesPlace
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.units import millimetres
from labkit.workflow.record.sheet import pairs_not_worn
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.extra import ExtraOrder, ExtraPlan, Installed, extra_plan
from labkit.workflow.sets.cases import refuse_if_refused


@dataclass(frozen=True)
class Looked:
    """An order that was looked at.

    Args:
        refusal: Why it would be refused; None where the rods can be made.
    """

    plan: ExtraPlan
    report: Report
    refusal: LabkitError | None


def words_of_pairs(standing: CaseStanding) -> dict[tuple[int, int], str]:
    """Give the words that each pair in circulation has, such as NOT TO BE WORN, by set and step."""
    return {(pair.set_number, pair.step): pair.words for pair in standing.pairs}


def look_at_extra(reader: Reader, order: ExtraOrder, installed: Installed) -> Looked:
    """Tell what an order would make: no folder, no lock and no event is written.

    Raises:
        InputError, RefusedError, LedgerError: It cannot be worked out, as `extra_plan`.
    """
    with reader.snapshot():
        plan = extra_plan(reader, order, installed)
        standing = standing_of_case(reader, order.case)
    refusal = None
    try:
        refuse_if_refused(plan.case)
        plan.planned(installed.lettering)
    except LabkitError as error:
        refusal = error
    return Looked(plan, _report(plan, standing, refusal), refusal)


_STEPS = (
    Column("step", "name", ""),
    *only("percent", "advancement_mm"),
    Column("left", "left.label", "left"),
    Column("right", "right.label", "right"),
    Column("made %", "made.percent", "made.percent", lambda value: millimetres(value, 1)),
    Column("made mm", "made.advancement_mm", "made.advancement_mm", millimetres),
)


def _report(
    plan: ExtraPlan, standing: CaseStanding, refusal: LabkitError | None
) -> Report:
    graded, case, words = plan.case.spacer_set, standing.case, words_of_pairs(standing)
    steps = Table.of(_STEPS, graded.steps)

    def said_of(place: SeriesPlace) -> str:
        return "new" if place.new else words.get((place.set_revision, place.step), "")

    series = Table.of(
        (
            Column("set", "set_revision", "set_revision", lambda number: str(number or "new")),
            Column("step", "step"),
            Column("%", "percent", "percent", lambda value: millimetres(value, 1)),
            Column("mm", "advancement_mm", "advancement_mm", millimetres),
            Column("left", "left", "left", lambda label: label or "none"),
            Column("right", "right", "right", lambda label: label or "none"),
            Column("", said_of, "said"),
        ),
        plan.series,
    )
    findings = (*notes_of(graded.findings), *pairs_not_worn(standing))
    return Report(
        "Extra rods, looked at",
        (
            Section(f"Extra rods for case {case}", (), steps),
            Section("The whole series", (), series),
            Section(findings=findings),
            Section(words=("Preview only: nothing was written, reserved or ordered.",)),
        ),
        {
            "schema": 1, "case": case, "dry_run": True, "process": plan.process.name,
            "steps": steps.records, "series": series.records,
            "findings": (*graded.findings, *pairs_not_worn(standing)),
            "refused": refusal is not None,
        },
    )
