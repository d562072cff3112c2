"""`labkit certificate`: the certificate of a release, printed again from the record."""

from __future__ import annotations

from pathlib import Path

import click
import rich_click

from labkit.cli.common import LEDGER, SET
from labkit.cli.print_report import print_report
from labkit.core.report import Report, Section


@click.command("certificate", cls=rich_click.RichCommand)
@click.argument("case")
@SET
@click.option("--entry", "--event", "seq", type=click.IntRange(1), metavar="N",
              help="Entry of a release, even of one that is no longer valid.")
@click.option(
    "--out", "out_dir", default=".", show_default=True, metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the certificate, begun if absent.",
)
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, set_name: str | None, seq: int | None, out_dir: Path, ledger_url: str | None,
    as_json: bool,
) -> None:
    """Print the certificate of inspection of a released set again.

    It is made from the record alone, and the same version of the program gives the same bytes.
    Refused if the release is no longer valid. Use --entry N to reprint an earlier certificate,
    marked void with the reason.

    Example: labkit certificate QF-1043
    """
    from labkit.ledger.store import look_into
    from labkit.workflow.inspection.certificate import certified, write_certificate

    with look_into(ledger_url) as ledger:
        found = stored, event, void = certified(ledger, case, set_name, seq)
        path = write_certificate(ledger, found, out_dir)
    words = [f"Certificate: {path}"]
    if void:
        words.append(f"Note: the release is no longer valid: {'; '.join(void)}")
    print_report(
        Report("Certificate", (Section(words=tuple(words)),), {
            "schema": 1, "case": case, "set": stored.name, "event": event.seq, "void": void,
            "certificate": str(path),
        }),
        as_json,
    )
