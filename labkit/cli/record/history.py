"""`labkit history`: the history of a device as one folder, for the files and for an audit."""

from __future__ import annotations

from pathlib import Path

import click
import rich_click

from labkit.cli.common import LEDGER, PROFILE, say
from labkit.cli.print_report import print_report


@click.command("history", cls=rich_click.RichCommand)
@click.argument("case")
@click.option("--out", "out_dir", metavar="DIR",
              type=click.Path(path_type=Path, file_okay=False),
              help="New folder for history.pdf, history.json and every prescription.")
@PROFILE
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, ledger_url: str | None, as_json: bool, out_dir: Path | None,
    profile_path: str | None,
) -> None:
    """Show the history of a device: all that the record holds of a case, in chapters.

    Prescription and its revisions, sets, process and its evidence, material lots, instruments,
    readings, decisions, rods used as they are, deliveries, returns, trial fits, and what was taken
    back. The whole record is checked first; nothing is shown from one that was changed.

    Example: labkit history QF-1043 --out QF-1043-history
    """
    from labkit.cli.sets.profile import open_profile
    from labkit.documents.process_report import refuse_taken, write_report
    from labkit.ledger.events import written
    from labkit.ledger.store import look_into
    from labkit.workflow.record.history import history_of, history_report, prescriptions_as_files

    if out_dir is not None:
        refuse_taken(out_dir)
    with look_into(ledger_url) as reader, reader.snapshot():
        history = history_of(reader, case)
    report = history_report(history)
    if out_dir is not None:
        beside = {
            "history.json": (written(report.data) + "\n").encode(),
            **prescriptions_as_files(history),
        }
        write_report(report, out_dir, open_profile(profile_path), beside)
    print_report(report, as_json)
    if out_dir is not None and not as_json:
        say(f"Written: {out_dir}")
