"""`labkit papers`: the papers and pictures of a finished set, made again."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import click
import rich_click

from labkit.cli.common import LEDGER, PROFILE, counting, operator_option, print_problems, say
from labkit.cli.record.recording import looking, recording_into, said
from labkit.cli.sets.profile import named_profile
from labkit.documents.papers import layouts_not_used
from labkit.documents.standing import standing_sentences, what_holds
from labkit.workflow.sets.papers import count_papers, open_set, remake_papers


@click.command("papers", cls=rich_click.RichCommand)
@click.argument("folder", metavar="SET", type=click.Path(path_type=Path))
@click.option(
    "--out",
    "out_dir",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder to write to, instead of the set.",
)
@PROFILE
@operator_option("prints them; with it, the record notes that they were printed again.")
@LEDGER
def command(
    folder: Path, out_dir: Path | None, profile_path: str | None, by: str | None,
    ledger_url: str | None,
) -> None:
    """Print the papers and pictures of a finished set again.

    They are made from the set's own spacer-set.json and files, which are checked first, and say
    what is valid today: the entry of the record for which they are true, today's range, what is not
    to be worn, which places are empty. If no record knows the set, they say so. If something
    changed, your own layouts are not used, and the run says which.

    Another profile (name, logo, paper, language) becomes the set's own; with --out the set keeps
    the one it has. With --by the record notes that they were printed again, and `labkit recall` no
    longer names the earlier papers: destroy those.

    Example: labkit papers sets/QF-1043-r1
    """
    from labkit.workflow.record.printed import note_printed
    from labkit.workflow.sets.on_disk import require_as_recorded
    from labkit.workflow.sets.standing import set_made, with_standing

    profile = named_profile(profile_path)
    spec = open_set(folder)
    with looking(ledger_url) as record:
        made = None if record is None else set_made(record, spec)
        if made is not None:
            require_as_recorded(folder, made)
        spec = with_standing(spec, record)
    with recording_into(ledger_url, by) if by and what_holds(spec) else nullcontext() as recorder:
        with counting(f"Papers of {folder.name}", count_papers(len(spec["parts"]))) as step:
            remake_papers(folder, spec, out_dir, profile, step)
        if recorder is not None:
            note_printed(recorder, spec)
    print_problems((*standing_sentences(spec), *layouts_not_used(spec, profile)))
    say(f"Papers written to {out_dir or folder}")
    if recorder is not None:
        said(recorder)
