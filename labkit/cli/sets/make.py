"""`labkit make`: finished spacer sets from prescriptions."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.rods import rod_templates
from labkit.cli.common import (
    JSON,
    RX,
    TEMPLATES,
    Run,
    counting,
    out,
    print_json,
    print_problems,
    say,
    sets_option,
)
from labkit.cli.means import takes_means
from labkit.cli.print_report import print_table
from labkit.cli.process.notes import close_with, note_all, open_with, range_notes, trend_notes
from labkit.cli.record.recording import looking, may_record, not_recorded, said
from labkit.core.findings import Finding
from labkit.core.jsonable import jsonable
from labkit.core.report import Column, Table
from labkit.documents.lying_words import way_of
from labkit.units import counted
from labkit.workflow.sets.cases import Case, open_case
from labkit.workflow.sets.job import NOTHING_WISHED, Means, Wishes
from labkit.workflow.sets.make import MadeSet, count_files, make_set

if TYPE_CHECKING:
    from labkit.workflow.record.recorder import Recorder


@click.command("make", cls=rich_click.RichCommand)
@RX
@sets_option("each set is")
@click.option("--take-back", is_flag=True,
              help="Take back rods in circulation that could be taken for new ones.")
@click.option("--copy", is_flag=True,
              help="If the set lies in another folder, write its files here too.")
@takes_means
@may_record(default_ledger=True)
@JSON
@TEMPLATES
def command(
    prescriptions: tuple[str, ...],
    out_dir: Path,
    as_json: bool,
    means: Means,
    recorder: Recorder | None,
    **given: Any,
) -> None:
    """Make a spacer set: STEP, STL and 3MF files, checked as written, and the papers.

    RX is a prescription file (TOML), or - for standard input. A set becomes the folder DIR/CASE-rN.
    With --by it is recorded, and rods in between can be made for it later. Before building, warns
    if no process was named, a calibrated process has drifted, or a rod lies outside its calibrated
    range.

    A set that could be confused with rods in circulation is refused, unless --take-back says that
    these are taken back. A set is made once: if it is there, its files are checked; --copy writes
    the same rods, with the same identifiers, to DIR too. If only the profile changed, the papers
    alone are printed again.

    Example: labkit make QF-1043.toml --out sets --process example-resin
    """
    from labkit.workflow.inspection.limits import gauge_notes

    run, templates = Run(), rod_templates(given["template_places"])
    ledger_url = click.get_current_context().params.get("ledger_url")
    unnamed = open_with(means)
    wishes = Wishes(given["take_back"], given["copy"], partial(looking, ledger_url))
    drift = trend_notes(means.process, recorder.ledger if recorder else None, ledger_url)
    note_all(drift, to_stderr=as_json)
    for source in run.each(prescriptions):
        with run.reporting(source.name):
            case = open_case(source, templates)
            beyond = (
                *range_notes(means.process, case.spacer_set), *gauge_notes(case, means.process),
                *_mark_notes(recorder, case),
            )
            note_all(beyond, to_stderr=as_json)
            made = make_with_progress(case, means, out_dir, recorder, wishes)
            if as_json:
                noted = {"process_findings": jsonable((*unnamed, *drift, *beyond))}
                if made.again:
                    noted["made_before"] = made.again
                print_json({"schema": 1, "folder": str(made.folder), **made.spec, **noted})
            else:
                print_parts(case.prescription.case, made)
                print_problems(notes_in(made.spec))
                print_circulation(recorder, case.prescription.case)
            run.done += 1
    if run.done:
        close_with(means, to_stderr=as_json)
        said(recorder or not_recorded("name who makes it with --by"), to_stderr=as_json)
    run.finish(cautions=not as_json)


def _mark_notes(recorder: Recorder | None, case: Case) -> tuple[Finding, ...]:
    if recorder is None:
        return ()
    from labkit.workflow.record.case_mark import case_mark_notes

    rx = case.prescription
    return case_mark_notes(recorder.ledger, rx.case, rx.case_mark)


def make_with_progress(
    case: Case, means: Means, out_dir: Path, recorder: Recorder | None = None,
    wishes: Wishes = NOTHING_WISHED,
) -> MadeSet:
    """Make one set with a progress bar on standard error.

    Args:
        recorder: Records it; None where it is not recorded.

    Raises:
        RefusedError: As `make_set`.
    """
    with counting(f"Making {case.prescription.case}", count_files(case, means)) as step:
        return make_set(case, means, out_dir, step, recorder, wishes)


def notes_in(spec: dict[str, Any]) -> tuple[str, ...]:
    """Give the notes of a set, in sentences."""
    found = spec["lengths"]["findings"]
    return tuple(each["message"] for each in found if each["severity"] == "note")


def print_circulation(recorder: Recorder | None, case: str) -> None:
    """List the rods of earlier sets that are in circulation beside a new one."""
    from labkit.workflow.record.sheet import circulation_table
    from labkit.workflow.record.standing import standing_of_case

    if recorder is None or len(recorder.ledger.sets(case)) < 2:
        return
    print_table("Rods of the case in circulation", circulation_table(
        standing_of_case(recorder.ledger, case)
    ))


def print_parts(case: str, made: MadeSet) -> None:
    """Print the folder of a set, its parts as measured, and its plates."""
    console = out()
    console.print(
        f"Case {case}: {made.folder}", style="bold", markup=False, soft_wrap=True
    )
    if made.again:
        say(made.again)
    heading = f"Rods of process {made.spec['process']['name']}, as measured from the written files"
    if made.parts:
        print_table(heading, Table.of(_PARTS, made.parts))
    for plate in made.spec["plates"]:
        pieces = sum(item["quantity"] for item in plate["items"])
        say(f"{plate['file']}: {counted(pieces, 'piece')}, {way_of(plate)}")
    if made.parts:
        say(_LOOK_FIRST)
    print_problems(made.changed)
    console.print()


_LOOK_FIRST = (
    "Look first at documents/case-sheet.pdf (is it what was ordered?), then build by "
    "documents/build-sheet.pdf"
)


_PARTS = (
    Column("rod", "part.rod.part"),
    Column("pieces", "part.quantity"),
    Column(
        "for steps",
        lambda made: " ".join(f"{use.step}{use.side[0].upper()}" for use in made.part.uses),
    ),
    Column("STEP mm", "check.step_length_mm", show="{:.4f}".format),
    Column("STL mm", "check.stl_length_mm", show="{:.4f}".format),
    Column("label read", "check.label_read"),
    Column("case mark", lambda made: made.check.case_mark and made.check.case_mark.text,
           optional=True),
    Column("checks", lambda made: f"{len(made.check.checks)} passed"),
)
