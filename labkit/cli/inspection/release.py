"""`labkit release`: a set leaves the lab only when every rod of it conforms."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli import clock
from labkit.cli.common import BY, LEDGER, PROFILE, SET, USE_BEFORE, print_cautions, require_lot
from labkit.cli.print_report import print_report
from labkit.cli.sets.profile import named_profile
from labkit.errors import InputError

#: A set has no more readings than these.
_MOST_ENTRIES = 10_000


@click.command("release", cls=rich_click.RichCommand)
@click.argument("case")
@SET
@click.option(
    "--out", "out_dir", metavar="DIR", type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the certificate, begun if absent; without it, the one that holds the set.",
)
@click.option("--note", default="", metavar="TEXT", help="A remark, printed on the certificate.")
@click.option(
    "--answer", "answers", nargs=2, multiple=True, metavar="ENTRIES TEXT",
    help="Answer a remark or a doubt about readings; ENTRIES as the refusal names them, such as 14 "
    "or 14-16,19. Printed on the certificate.",
)
@click.option("--lot", default="", metavar="TEXT",
              help="Lot of the material of the rods whose readings name none.")
@USE_BEFORE
@click.option("--withhold", metavar="REASON",
              help="Release nothing: record that the set must not leave, or must come back.")
@PROFILE
@BY
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    case: str, set_name: str | None, by: str, ledger_url: str | None, as_json: bool,
    **others: Any,
) -> None:
    """Release a set and write its certificate of inspection, or withhold it.

    Releases a set only if every rod (including replacements) was measured and conforms, every label
    and fitting was checked, left and right agree, and no finding holds a rod. Otherwise lists what
    is missing and how to put it right. If the certificate cannot be written, nothing is released. A
    set that was withheld needs a --note on what was done about it; a set with remarks needs an
    --answer to each. Whoever measured does not release, unless the profile (--profile, else the one
    that the set keeps) says that the laboratory is one person.

    Example: labkit release QF-1043 --by kim
    """
    out_dir, note, withhold = (others[name] for name in ("out_dir", "note", "withhold"))
    if withhold is not None and (out_dir is not None or note):
        raise InputError(
            "--withhold writes no certificate and has its own reason; leave out --out and --note",
            field="withhold",
        )
    require_lot(others)
    from labkit.ledger.store import open_ledger
    from labkit.workflow.inspection.lots import Lot
    from labkit.workflow.inspection.release import Words, release, release_report
    from labkit.workflow.inspection.release import withhold as withheld

    with open_ledger(ledger_url, create=False) as ledger:
        who = (by, clock.now())
        if withhold is not None:
            done = withheld(ledger, case, set_name, withhold, who)
        else:
            answers = {
                entry: text for which, text in others["answers"] for entry in _entries(which)
            }
            words = Words(
                note, named_profile(others["profile_path"]), answers,
                Lot(others["lot"].strip(), others["use_before"]),
            )
            done = release(ledger, case, set_name, out_dir, who, words)
    print_report(release_report(done), as_json)
    if withhold is None and not as_json:
        print_cautions()


def _entries(text: str) -> Iterator[int]:
    """Read numbers of entries such as 14-16,19."""
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        ends = (first, last if dash else first)
        if not all(end.isascii() and end.isdigit() and len(end) <= 9 for end in ends):
            raise InputError(
                f'"{text}" are no numbers of entries; write them as the refusal does, such as 14 '
                "or 14-16,19", field="answer", value=text,
            )
        yield from range(int(ends[0]), min(int(ends[1]), int(ends[0]) + _MOST_ENTRIES) + 1)
