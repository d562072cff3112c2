"""`labkit show`: the whole story of a case in time order, and its rods as they are now."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click
import rich_click
from rich.text import Text

from labkit.cli.common import LEDGER, out, plain_table, print_json
from labkit.core.case.identifier import grouped
from labkit.errors import InputError
from labkit.units import millimetres

if TYPE_CHECKING:
    from labkit.ledger.events import Event
    from labkit.ledger.stored import StoredSet
    from labkit.workflow.record.lookup import CaseStory, RodNow


@click.command("show", cls=rich_click.RichCommand)
@click.argument("case")
@click.option("--prescription", is_flag=True, help="Print the text of the prescription, no more.")
@click.option(
    "--revision",
    type=click.IntRange(1),
    metavar="N",
    help="With --prescription: which revision; without it, the last one.",
)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, prescription: bool, revision: int | None, ledger_url: str | None, as_json: bool
) -> None:
    """Tell the story of a case: who did what and when, and what its rods mean now.

    Example: labkit show QF-1043
    """
    from labkit.ledger.store import open_ledger
    from labkit.workflow.record.lookup import case_story, need_case

    if revision is not None and not prescription:
        raise InputError("--revision goes with --prescription only", field="revision")
    with open_ledger(ledger_url, create=False) as ledger:
        if prescription:
            need_case(ledger, case)
            text = ledger.prescription(case, revision).text
        else:
            story = case_story(ledger, case)
    if prescription:
        # Bytes, so that line ends stay as they were recorded.
        click.echo(text.encode("utf-8"), nl=False)
    elif as_json:
        print_json(_story_json(story))
    else:
        _print(story)


def _print(story: CaseStory) -> None:
    from labkit.workflow.inspection.release_state import told_now
    from labkit.workflow.record.story import moment, told

    out().print(f"Case {story.case}", style="bold", markup=False)
    for event in story.events:
        later = story.corrected.get(event.seq)
        corrected = f" [corrected by event {later}]" if later else ""
        _say(f"{event.seq:>5}  {moment(event.at)}  {event.by}: {told(event)}{corrected}")
    out().print()
    if story.rods:
        _print_rods(story.rods)
    for release in story.releases:
        _say(f"{'' if release.stands else 'Note: '}{told_now(release)}")
    if story.problem:
        _say(f"What the rods mean now is unknown: {story.problem}")


def _print_rods(rods: tuple[RodNow, ...]) -> None:
    table = plain_table(
        "Rods; step and percent as they are now",
        ("identifier", "set", "side", "label", "step", "%", "state"),
    )
    for each in rods:
        rod, now = each.rod, each.now
        table.add_row(
            grouped(rod.identifier),
            Text(rod.set_name, justify="left"),
            Text(rod.side, justify="left"),
            rod.label,
            f"{now.place} of {now.of}" if now else "-",
            millimetres(now.percent, 1) if now else "-",
            Text(_state(each), justify="left"),
        )
    out().print(table)


def _state(each: RodNow) -> str:
    above = each.now is not None and each.rod.side in each.now.above_100
    return f"{each.rod.state}, above 100 %: not to be worn" if above else each.rod.state


def _say(sentence: str) -> None:
    out().print(sentence, markup=False, soft_wrap=True)


def _story_json(story: CaseStory) -> dict[str, Any]:
    from labkit.workflow.inspection.release_state import release_json

    return {
        "schema": 1,
        "case": story.case,
        "prescriptions": [
            {
                "revision": each.revision,
                "reason": each.reason,
                "sha256": each.sha256,
                "at": each.stamp.at,
                "by": each.stamp.by,
                "text": each.text,
            }
            for each in story.prescriptions
        ],
        "sets": [_set_json(each) for each in story.sets],
        "rods": [_rod_json(each) for each in story.rods],
        "releases": [release_json(each) for each in story.releases],
        "events": [_event_json(each, story.corrected) for each in story.events],
        "problem": story.problem or None,
    }


def _set_json(each: StoredSet) -> dict[str, Any]:
    return {
        "set": each.name,
        "state": str(each.state),
        "purpose": each.purpose,
        "set_revision": each.set_revision,
        "prescription_revision": each.prescription.revision,
        "folder": each.folder,
        "template": {"name": each.template.name, "sha256": each.template.sha256},
        "process": {"name": each.process.name, "sha256": each.process.sha256},
        "program": each.program,
    }


def _rod_json(each: RodNow) -> dict[str, Any]:
    from labkit.workflow.record.lookup import setting_json

    rod = each.rod
    return {
        "identifier": rod.identifier,
        "set": rod.set_name,
        "made_as_step": rod.step,
        "made_for_percent": rod.percent,
        "side": rod.side,
        "label": rod.label,
        "state": rod.state,
        "replaces": rod.replaces or None,
        "now": setting_json(each.now),
    }


def _event_json(event: Event, corrected: dict[int, int]) -> dict[str, Any]:
    from labkit.workflow.record.story import told

    return {
        "seq": event.seq,
        "at": event.at,
        "by": event.by,
        "kind": str(event.kind),
        "text": told(event),
        "corrects": event.corrects,
        "corrected_by": corrected.get(event.seq),
    }
