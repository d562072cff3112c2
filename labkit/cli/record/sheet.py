"""`labkit sheet`: the case sheet of today, without making anything."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli.common import LEDGER, PROFILE, operator_option, print_cautions, say
from labkit.cli.print_report import print_report
from labkit.cli.record.recording import recording_into, said
from labkit.errors import InputError


@click.command("sheet", cls=rich_click.RichCommand)
@click.argument("case")
@click.option("--out", "out_path", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
              help="Also write it as a PDF; a new file.")
@operator_option("prints it; with --out, the record notes that it was printed.")
@PROFILE
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, by: str | None, ledger_url: str | None, as_json: bool, out_path: Path | None,
    **given: Any,
) -> None:
    """Print the case sheet of today: the range, what every pair makes, who has each rod.

    The sheet names the entry of the record as of which it is true. Nothing is made; with --out
    and --by the record notes that it was printed, and `labkit recall` names it once it
    is no longer true.

    Example: labkit sheet QF-1043 --out QF-1043-today.pdf
    """
    if out_path is not None and out_path.suffix.lower() != ".pdf":
        raise InputError(
            f"the sheet is written as a PDF, and {str(out_path)!r} does not end with .pdf; name a "
            "file such as today.pdf",
            field="out", value=str(out_path), allowed="a name that ends with .pdf",
        )
    from labkit.cli.sets.profile import open_profile
    from labkit.ledger.store import look_into
    from labkit.workflow.record.lookup import need_case
    from labkit.workflow.record.printed import note_sheet
    from labkit.workflow.record.sheet import sheet_report, write_sheet
    from labkit.workflow.record.standing import standing_of_case

    with look_into(ledger_url) as reader:
        need_case(reader, case)
        standing = standing_of_case(reader, case)
    report = sheet_report(standing)
    if out_path is not None:
        with recording_into(ledger_url, by) if by else nullcontext() as recorder:
            write_sheet(report, out_path, open_profile(given["profile_path"]))
            if recorder is not None:
                note_sheet(recorder, standing)
    print_report(report, as_json)
    if not as_json:
        if out_path is not None:
            say(f"Written: {out_path}")
            if recorder is not None:
                said(recorder)
        print_cautions()

