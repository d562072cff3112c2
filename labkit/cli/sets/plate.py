"""`labkit plate`: rods of many cases on the beds of one process, with a map to sort them by."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click
from click.core import ParameterSource

from labkit.cli import clock
from labkit.cli.common import (
    LEDGER,
    PROCESS,
    PROCESSES,
    PROFILE,
    counting,
    operator_option,
    print_cautions,
)
from labkit.cli.means import means_of
from labkit.cli.print_report import print_report
from labkit.cli.process.notes import process_words, say_first
from labkit.cli.record.recording import recording_into, said
from labkit.cli.rods.replace import whole_identifiers
from labkit.errors import InputError

if TYPE_CHECKING:
    from labkit.ledger.queries import Reader
    from labkit.workflow.builds.job import JobAsked

#: Argument → its option: what only a build takes, not the record of one that failed.
_ONLY_BUILDING = {
    "dry_run": "--dry-run", "out_dir": "--out", "spares": "--spare", "again": "--again",
    "coupons": "--coupons", "most_beds": "--beds", "process_name": "--process",
    "process_places": "--processes", "profile_path": "--profile",
}


@click.command("plate", cls=rich_click.RichCommand)
@click.argument("words", metavar="[WHAT]...", nargs=-1)
@click.option("--out", "out_dir", metavar="DIR", type=click.Path(path_type=Path, file_okay=False),
              help="Folder that holds the builds; each is a new folder build-N in it.")
@click.option("--spare", "spares", multiple=True, metavar="IDENTIFIER",
              help="Build a spare piece of this rod too; may be repeated.")
@click.option("--again", "again", multiple=True, metavar="IDENTIFIER",
              help="Build this rod although it is in an earlier build; may be repeated.")
@click.option("--coupons", multiple=True, metavar="FOLDER",
              type=click.Path(path_type=Path, file_okay=False),
              help="Build the coupons of this folder too (`labkit coupons`); may be repeated.")
@click.option("--beds", "most_beds", type=click.IntRange(1, 1000), metavar="N",
              help="As many beds are built; sets without room are kept for the next build. "
              "Default: what the process says, or as many as are needed.")
@click.option("--dry-run", is_flag=True, help="Only say what would lie where.")
@click.option("--failed", type=click.IntRange(1), metavar="BUILD",
              help="Record that this build failed, or what of it WHAT names: cases, sets, rods.")
@click.option("--reason", default="", metavar="TEXT", help="With --failed: why; it is recorded.")
@PROCESS
@PROCESSES
@PROFILE
@operator_option("builds; it is recorded.")
@LEDGER
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(words: tuple[str, ...], as_json: bool, **asked: Any) -> None:
    """Lay out rods of many cases on build plates, with a map to sort them by.

    WHAT is a case number, the name of a set or the identifier of a rod. Of cases and sets, all rods
    are taken whose files are made and that are not built yet: replacements and rods in between too.
    Sets are taken in the order in which you name them, and none is divided between two builds.
    Their files are held against the record first.

    A build is the folder DIR/build-N: one 3MF for each bed, whose parts bear case, label and
    identifier, and map.pdf, the beds drawn as they lie. It is recorded: `labkit find` says on which
    build, bed and place a rod lay. With --failed the rods of a build are open again.

    Examples: labkit plate QF-1043 QF-1050 --process example-resin --out builds --by anna

    labkit plate --failed 12 --reason "resin ran out" --by anna
    """
    if asked["failed"] is not None:
        _fail(words, asked, as_json=as_json)
    elif asked["reason"]:
        raise InputError("--reason belongs to --failed; name the build that failed", field="reason")
    elif not (words or asked["again"]):
        raise InputError(
            "name what is to be built: cases, sets or identifiers of rods; coupons alone have "
            "plates of their own in their folder", field="WHAT",
        )
    else:
        _build(words, asked, as_json=as_json)


def _build(words: tuple[str, ...], asked: dict[str, Any], *, as_json: bool) -> None:
    from labkit.ledger.store import look_into
    from labkit.workflow.builds.job import make_build, plan_build
    from labkit.workflow.builds.report import build_report, settled_report

    means = means_of(asked["process_name"], asked["process_places"], asked["profile_path"])
    say_first(process_words(means.process))
    if asked["dry_run"]:
        with look_into(asked["ledger_url"]) as reader:
            planned = plan_build(reader, _job(reader, words, asked), means.process)
            print_report(build_report(planned, None), as_json)
        return
    if asked["out_dir"] is None or asked["by"] is None:
        raise InputError(
            "a build is written and recorded: name its folder with --out and who builds with --by, "
            "or look first with --dry-run", field="out",
        )
    with recording_into(asked["ledger_url"], asked["by"]) as recorder:
        job = _job(recorder.ledger, words, asked)
        with counting("Beds") as step:
            made = make_build(
                job, (means.process, means.profile), asked["out_dir"], recorder, step
            )
        report = build_report(made.planned, made) if made.planned else settled_report(made)
        print_report(report, as_json)
        said(recorder, to_stderr=as_json)
    if not as_json:
        print_cautions()


def _job(reader: Reader, words: tuple[str, ...], asked: dict[str, Any]) -> JobAsked:
    from labkit.workflow.builds.job import JobAsked
    from labkit.workflow.builds.wanted import Asked

    what = Asked(whole_words(words, reader.has_case), asked["spares"], asked["again"])
    return JobAsked(what, asked["coupons"], asked["most_beds"])


def whole_words(words: tuple[str, ...], is_case: Callable[[str], bool]) -> tuple[str, ...]:
    """Put identifiers typed in groups together; names, and cases of the record, are left.

    >>> whole_words(("QF-1043", "4829", "482", "917", "3065"), {"QF-1043"}.__contains__)
    ('QF-1043', '48294829173065')
    >>> whole_words(("1043", "1050"), {"1043", "1050"}.__contains__)
    ('1043', '1050')
    """
    runs = itertools.groupby(words, is_case)
    return tuple(itertools.chain.from_iterable(
        run if cases else whole_identifiers(tuple(run)) for cases, run in runs
    ))


def _fail(words: tuple[str, ...], asked: dict[str, Any], *, as_json: bool) -> None:
    from labkit.cli.rods.who import who_records
    from labkit.workflow.builds.failed import fail_build

    typed = click.get_current_context().get_parameter_source
    for option in (
        option for name, option in _ONLY_BUILDING.items()
        if typed(name) is ParameterSource.COMMANDLINE
    ):
        raise InputError(
            f"{option} does not go with --failed, which builds nothing and records at once; leave "
            "one of the two out; nothing was recorded", field=option.removeprefix("--"),
        )
    by = who_records(asked["by"], "that a build failed")
    with recording_into(asked["ledger_url"], by) as recorder:
        report = fail_build(
            recorder.ledger, asked["failed"], whole_words(words, recorder.ledger.has_case),
            asked["reason"], (by, clock.now()),
        )
        print_report(report, as_json)
        said(recorder, to_stderr=as_json)
