"""`labkit papers`: the papers and pictures of a finished set, made again."""

from __future__ import annotations

from pathlib import Path

import click
import rich_click

from labkit.cli.common import PROFILE, counting, out, print_problems
from labkit.cli.sets.profile import open_profile
from labkit.workflow.sets.papers import count_papers, open_set, remake_papers


@click.command("papers", cls=rich_click.RichCommand)
@click.argument("folder", metavar="SET", type=click.Path(path_type=Path))
@click.option(
    "--out",
    "out_dir",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write there instead of into the set.",
)
@PROFILE
def command(folder: Path, out_dir: Path | None, profile_path: str | None) -> None:
    """Make the papers and pictures of a finished set again.

    They are made from the set's own spacer-set.json and files, which are checked first. Another
    profile (name, logo, paper, language) than the one the set was made with needs --out.

    Example: labkit papers sets/QF-1043-r1
    """
    profile = open_profile(profile_path) if profile_path else None
    spec = open_set(folder)
    with counting(f"Papers of {folder.name}", count_papers(len(spec["parts"]))) as step:
        problems = remake_papers(folder, spec, out_dir, profile, step)
    print_problems(problems)
    out().print(f"Papers written to {out_dir or folder}", markup=False, soft_wrap=True)
