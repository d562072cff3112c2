"""`labkit find`: a rod by its identifier, typed or scanned."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli.common import LEDGER, out, print_json
from labkit.core.case.identifier import grouped
from labkit.core.grading.steps import percent_name
from labkit.units import millimetres, plain

if TYPE_CHECKING:
    from labkit.ledger.stored import StoredReading
    from labkit.workflow.record.lookup import FoundRod


@click.command("find", cls=rich_click.RichCommand)
@click.argument("identifier", nargs=-1, required=True)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(identifier: tuple[str, ...], ledger_url: str | None, as_json: bool) -> None:
    """Find a rod: its case, set and side, what it means now, who made it, its readings.

    IDENTIFIER is what the bag label says, with or without spaces or hyphens, or as scanned.

    Example: labkit find 482 917 3065
    """
    from labkit.ledger.store import open_ledger
    from labkit.workflow.record.lookup import find_rod

    with open_ledger(ledger_url, create=False) as ledger:
        found = find_rod(ledger, " ".join(identifier))
    if as_json:
        print_json(_json(found))
        return
    for line in _lines(found):
        out().print(line, markup=False, soft_wrap=True)


def _lines(found: FoundRod) -> Iterator[str]:
    from labkit.workflow.record.story import moment

    rod, of_set = found.rod.rod, found.of_set
    yield f"Rod {grouped(rod.identifier)}: {rod.label}, {rod.side}"
    yield f"Case: {rod.case}"
    made_for = f", for {rod.percent} %" if rod.percent else ""
    yield (
        f"Set: {rod.set_name}, made as step {rod.step}{made_for}, on prescription revision "
        f"{of_set.prescription.revision}"
    )
    yield f"Now: {_now(found)}"
    if found.made:
        yield f"Made: {moment(found.made.at)} by {found.made.by}"
    else:
        yield f"Begun: {moment(rod.made.at)} by {rod.made.by}, not made"
    yield (
        f"State: {rod.state} since {moment(rod.state_since.at)} ({rod.state_since.by})"
    )
    yield from _places(found)
    for reading in found.readings:
        yield f"Reading: {_reading(reading)}"
    if not found.readings:
        yield "Reading: none yet"


def _places(found: FoundRod) -> Iterator[str]:
    """Tell whose place it takes, what takes its own, and how its set stands."""
    from labkit.workflow.inspection.release_state import told_now

    old, new = found.replaces, found.replaced_by
    if old is not None:
        yield f"In place of: {grouped(old.identifier)} of {old.set_name}, {old.state}"
    if new is not None:
        yield f"Replaced by: {grouped(new.identifier)} of {new.set_name}, {new.state}"
    if found.release is not None:
        yield f"Release: {told_now(found.release)}"


def _now(found: FoundRod) -> str:
    now = found.rod.now
    if found.problem:
        return f"unknown, since {found.problem}"
    if now is None:
        return "not among the rods out"
    serves = ", ".join(percent_name(percent) for percent in now.serves)
    what = f"serves the prescribed {serves}" if serves else "serves no prescribed step"
    if found.rod.rod.side in now.above_100:
        what = "above 100 %: not to be worn"
    return (
        f"step {now.place} of {now.of} among the rods out, {millimetres(now.percent, 1)} %, "
        f"{millimetres(now.advancement_mm)} mm of advancement; {what}"
    )


def _reading(reading: StoredReading) -> str:
    from labkit.workflow.record.story import moment, reading_told

    note = f" ({reading.note})" if reading.note else ""
    return (
        f"{reading_told(vars(reading))}, {moment(reading.stamp.at)} by {reading.stamp.by}{note}"
    )


def _json(found: FoundRod) -> dict[str, Any]:
    from labkit.workflow.inspection.release_state import release_json
    from labkit.workflow.record.lookup import setting_json

    rod, of_set = found.rod.rod, found.of_set
    return {
        "schema": 1,
        "identifier": rod.identifier,
        "case": rod.case,
        "set": rod.set_name,
        "purpose": of_set.purpose,
        "prescription_revision": of_set.prescription.revision,
        "side": rod.side,
        "label": rod.label,
        "length_mm": plain(rod.length_mm),
        "made_as_step": rod.step,
        "made_for_percent": rod.percent,
        "now": setting_json(found.rod.now),
        "state": rod.state,
        "state_since": {"at": rod.state_since.at, "by": rod.state_since.by},
        "made": None if found.made is None else {"at": found.made.at, "by": found.made.by},
        "replaces": rod.replaces or None,
        "replaced_by": None if found.replaced_by is None else found.replaced_by.identifier,
        "release": None if found.release is None else release_json(found.release),
        "template": {"name": of_set.template.name, "sha256": of_set.template.sha256},
        "process": {"name": of_set.process.name, "sha256": of_set.process.sha256},
        "folder": of_set.folder,
        "readings": [
            {
                "quantity": each.quantity,
                "value_mm": each.value_um / 1000,
                "uncertainty_mm": None if each.uncertainty_nm is None
                else each.uncertainty_nm / 1e6,
                "length_mm": each.details.get("length_mm"),
                "result": each.details.get("result"),
                "probability": each.details.get("probability"),
                "gauge": each.gauge,
                "note": each.note,
                "at": each.stamp.at,
                "by": each.stamp.by,
            }
            for each in found.readings
        ],
        "problem": found.problem or None,
    }
