"""`labkit release`: a set leaves the lab only when every rod of it conforms."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import BY, LEDGER, SET, print_cautions, print_json, print_problems, say
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.ledger.events import Event
    from labkit.ledger.stored import StoredSet


@click.command("release", cls=rich_click.RichCommand)
@click.argument("case")
@SET
@click.option(
    "--out", "out_dir", metavar="DIR", type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the certificate; without it, the one that holds the set.",
)
@click.option("--note", default="", metavar="TEXT", help="Free text, kept and printed with it.")
@click.option("--withhold", metavar="REASON",
              help="Release nothing: record that the set must not leave, or must come back.")
@BY
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, set_name: str | None, by: str, ledger_url: str | None, as_json: bool,
    **others: Any,
) -> None:
    """Release a set and write its certificate of inspection, or withhold it.

    Released is only a set of which every rod, replacements included, was measured and conforms,
    whose label was read and fittings were checked on each rod, whose sides agree, and in which
    nothing was found that holds a rod; otherwise a line for each thing that is missing says what to
    do. Release and certificate belong together: neither is there without the other. A set that was
    withheld is released only with a --note on what was done about it.

    Example: labkit release QF-1043 --by kim
    """
    out_dir, note, withhold = (others[name] for name in ("out_dir", "note", "withhold"))
    if withhold is not None and (out_dir is not None or note):
        raise InputError(
            "--withhold writes no certificate and has its own reason; leave out --out and --note",
            field="withhold",
        )
    from labkit.ledger.store import open_ledger
    from labkit.workflow.inspection.release import release
    from labkit.workflow.inspection.release import withhold as withheld

    with open_ledger(ledger_url, create=False) as ledger:
        who = (by, clock.now())
        if withhold is not None:
            stored, event = withheld(ledger, case, set_name, withhold, who)
        else:
            done = release(ledger, case, set_name, out_dir, who, note)
    if withhold is not None:
        if as_json:
            print_json(_decided(stored, event))
        else:
            say(f"Set {stored.name} withheld by {by}, event {event.seq}: {withhold}")
        return
    if as_json:
        print_json({
            **_decided(done.stored, done.event, digest=done.event.digest),
            "certificate": str(done.certificate),
            "basis": done.event.body["basis"],
            "notes": done.notes,
        })
        return
    say(f"Set {done.stored.name} released by {by}, event {done.event.seq}")
    say(f"Certificate: {done.certificate}")
    print_problems(done.notes)
    print_cautions()


def _decided(stored: StoredSet, event: Event, **more: object) -> dict[str, object]:
    return {
        "schema": 1, "case": stored.case, "set": stored.name,
        "decision": event.body["decision"], "event": event.seq, **more, "at": event.at,
        "by": event.by,
    }
