"""`labkit clinic-sheet`: one HTML file in which a clinic fills in what it tells the lab."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli.common import LEDGER, TEMPLATES, counting, print_cautions, say
from labkit.errors import InputError


@click.command("clinic-sheet", cls=rich_click.RichCommand)
@click.argument("case", required=False)
@click.option("--blank", is_flag=True, help="Without a case, for a clinic's first prescription.")
@click.option("--out", "out_path", required=True, metavar="FILE",
              type=click.Path(path_type=Path, dir_okay=False), help="The page; a new .html file.")
@TEMPLATES
@LEDGER
def command(
    case: str | None, blank: bool, out_path: Path, ledger_url: str | None, **given: Any
) -> None:
    """Write the clinic's sheet: a page that works on a phone or computer without a network.

    On it a clinic fills in a trial fit, an order for rods in between, a follow-up, rods lost or
    returned, or a prescription, and sees what that means today. It then saves a small file to send,
    or prints the sheet with a code. `labkit intake` takes the file in. The sheet bears the case
    number and the entry of the record for which it is true, and no name of a patient.

    Example: labkit clinic-sheet QF-1043 --out QF-1043-clinic.html
    """
    if (case is None) is not blank:
        raise InputError(
            "the sheet is for one case, or blank; name a case, or give --blank", field="case"
        )
    if out_path.suffix.lower() not in (".html", ".htm"):
        raise InputError(
            f"the sheet is a page, and {str(out_path)!r} does not end with .html; name a file such "
            "as QF-1043-clinic.html",
            field="out", value=str(out_path), allowed="a name that ends with .html",
        )
    from labkit.workflow.intake.sheet import write_new

    write_new(out_path, lambda: _page(case, ledger_url, given["template_places"]))
    say(f"Written: {out_path}")
    print_cautions()


def _page(case: str | None, ledger_url: str | None, places: tuple[str, ...]) -> bytes:
    from labkit.catalog.rods import rod_templates
    from labkit.documents.clinic_sheet import clinic_sheet
    from labkit.ledger.store import look_into
    from labkit.workflow.intake.sheet import blank_content, case_content, drawings_of

    templates = rod_templates(places)
    if case is None:
        return clinic_sheet(blank_content(templates), ())
    with look_into(ledger_url) as reader, counting(f"Clinic's sheet for {case}") as step:
        return clinic_sheet(
            case_content(reader, case, templates, step), drawings_of(reader, case)
        )
