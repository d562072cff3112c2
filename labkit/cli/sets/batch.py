"""`labkit batch`: the sets of many prescriptions, in several processes."""

from __future__ import annotations

import dataclasses
import functools
import json
import os
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.places import files_in
from labkit.catalog.rods import rod_templates
from labkit.cli.common import (
    PROCESS,
    PROCESSES,
    PROFILE,
    TEMPLATES,
    Run,
    err,
    open_source,
    sets_option,
)
from labkit.cli.ending import unforeseen
from labkit.cli.means import means_of
from labkit.cli.print_report import print_report
from labkit.cli.process.notes import close_with, note_all, open_with, range_notes, trend_notes
from labkit.cli.record.recording import may_record, not_recorded, recording, said
from labkit.cli.sets.make import notes_in
from labkit.core.jsonable import jsonable
from labkit.core.report import Column, Report, Section, Table
from labkit.errors import EXIT_REFUSED, EXIT_UNREADABLE, InputErrors, LabkitError, MadeAlreadyError
from labkit.workflow.sets.batch import Outcome, in_a_pool, twice_named
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means
from labkit.workflow.sets.make import make_set

if TYPE_CHECKING:
    from labkit.workflow.record.recorder import Recorder

_MOST_WORKERS = 64
_WORDS = {
    "made": "made",
    "there": "made before",
    "refused": "refused by a rule of the trade",
    "unreadable": "cannot be read",
    "broken off": "broken off",
}
_LOST = "its process was ended from outside, twice; make it by itself with `labkit make`"
_STATUS = {"refused": EXIT_REFUSED, "broken off": EXIT_REFUSED, "unreadable": EXIT_UNREADABLE}


@dataclasses.dataclass(frozen=True)
class _Bench:
    """What every worker makes sets with, as named; the catalogs are read in each.

    Args:
        by, ledger_url: Who records and where; None for nobody.
    """

    out_dir: Path
    process_name: str | None
    process_places: tuple[str, ...]
    profile_path: str | None
    template_places: tuple[str, ...]
    by: str | None
    ledger_url: str | None

    @functools.cached_property
    def means(self) -> Means:
        """What the sets are made with."""
        return means_of(self.process_name, self.process_places, self.profile_path)


@click.command("batch", cls=rich_click.RichCommand)
@click.argument("places", metavar="FILE|FOLDER...", nargs=-1, required=True)
@sets_option("each set is")
@click.option("--workers", type=click.IntRange(1, _MOST_WORKERS), metavar="N",
              help="Processes that work side by side; default: one for each core.")
@click.option("--log", "log_file", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
              help="Every outcome as it comes, a line of JSON each; lines are added.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, one for each file.")
@PROCESS
@PROCESSES
@PROFILE
@may_record(default_ledger=True)
@TEMPLATES
def command(
    places: tuple[str, ...],
    out_dir: Path,
    recorder: Recorder | None,
    **given: Any,
) -> None:
    """Make the sets of many prescriptions at once.

    FOLDER means every .toml file in it. A prescription that is refused or cannot be read stops no
    other. The same command again makes what is missing and nothing twice, also after a kill. With
    --by every set is recorded, as by `labkit make`.

    Example: labkit batch prescriptions --out sets --process example-resin --by anna
    """
    run, as_json = Run(), given["as_json"]
    files = [str(path) for place in places for path in files_in(place, "prescriptions")]
    ledger_url = click.get_current_context().params.get("ledger_url")
    means = means_of(given["process_name"], given["process_places"], given["profile_path"])
    bench = _Bench(
        out_dir, given["process_name"], given["process_places"], given["profile_path"],
        given["template_places"], recorder.by if recorder else None, ledger_url,
    )
    open_with(means)
    reader = recorder.ledger if recorder else None
    note_all(trend_notes(means.process, reader, ledger_url), to_stderr=as_json)
    out_dir.mkdir(parents=True, exist_ok=True)
    outcomes: list[Outcome] = []
    with _log(given["log_file"]) as log, _time_left(len(files)) as step:
        for outcome in _made(bench, files, given["workers"] or os.cpu_count() or 1):
            outcomes.append(outcome)
            log(outcome)
            step()
            if as_json:
                click.echo(_line(outcome))
    outcomes.sort(key=lambda outcome: files.index(outcome.file))
    if not as_json:
        print_report(_report(outcomes))
    run.done = sum(outcome.state in ("made", "there") for outcome in outcomes)
    run.exit_code = max((_STATUS.get(outcome.state, 0) for outcome in outcomes), default=0)
    if run.done:
        close_with(means, to_stderr=as_json)
        said(recorder or not_recorded("name who makes it with --by"), to_stderr=as_json)
    run.finish(cautions=not as_json)


def _made(bench: _Bench, files: list[str], workers: int) -> Iterator[Outcome]:
    """Make every set; give what became of each file."""
    cases = {}
    for file in dict.fromkeys(files):
        try:
            cases[file] = str(open_source(file).data.get("case", ""))
        except LabkitError as error:
            yield _failed(file, "", error)
    twice = twice_named((file, case) for file, case in cases.items() if case)
    for case, named in twice.items():
        for file in named:
            yield Outcome(file, case, "refused", said=(
                f"case {case} is prescribed in {' and in '.join(named)}; keep one of them, or "
                "make them one after the other with `labkit make`",
            ))
    left = [file for file, case in cases.items() if case not in twice]
    yield from in_a_pool(
        functools.partial(make_one, bench), left, min(workers, max(len(left), 1)),
        lambda file: Outcome(file, cases[file], "broken off", said=(_LOST,)),
    )


def make_one(bench: _Bench, file: str) -> Outcome:
    """Make the set of one prescription, in a worker."""
    case = ""
    try:
        source = open_source(file)
        case = str(source.data.get("case", ""))
        opened = open_case(source, rod_templates(bench.template_places))
        with recording(bench.by, bench.ledger_url) as recorder:
            made = make_set(opened, bench.means, bench.out_dir, _not_told, recorder)
        beyond = range_notes(bench.means.process, opened.spacer_set)
        notes = (*(finding.message for finding in beyond), *notes_in(made.spec))
        pieces = sum(part["quantity"] for part in made.spec["parts"])
        return Outcome(
            file, case, "there" if made.again else "made", made.folder.name, str(made.folder),
            pieces, notes,
        )
    except MadeAlreadyError as error:
        return Outcome(file, case, "there", said=(str(error),))
    except LabkitError as error:
        return _failed(file, case, error)
    except Exception as error:
        return Outcome(file, case, "broken off", said=(unforeseen(error),))


def _not_told(_: str) -> None:
    """Take no notice of a piece that is done."""


def _failed(file: str, case: str, error: LabkitError) -> Outcome:
    state = "unreadable" if error.exit_code == EXIT_UNREADABLE else "refused"
    if not isinstance(error, InputErrors) and not error.where:
        error.where = file
    return Outcome(file, case, state, said=tuple(str(error).splitlines()))


def _line(outcome: Outcome) -> str:
    told = {"schema": 1, **dataclasses.asdict(outcome)}
    told["set"] = told.pop("set_name")
    return json.dumps(jsonable(told), ensure_ascii=False)


@contextmanager
def _log(file: Path | None) -> Iterator[Callable[[Outcome], None]]:
    """Open the log; give a function that adds an outcome to it at once."""
    if file is None:
        yield lambda _: None
        return
    with file.open("a", encoding="utf-8") as stream:

        def add(outcome: Outcome) -> None:
            stream.write(f"{_line(outcome)}\n")
            stream.flush()

        yield add


@contextmanager
def _time_left(total: int) -> Iterator[Callable[[], None]]:
    """Show on standard error how many are done and how long the rest takes."""
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("Making sets"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        TextColumn("left"),
    )
    with Progress(*columns, console=err(), transient=True) as bar:
        task = bar.add_task("", total=total)
        yield lambda: bar.advance(task)


_COUNTS = (
    Column("sets", lambda row: _WORDS[row[0]]),
    Column("prescriptions", lambda row: row[1]),
    Column("rods", lambda row: row[2]),
)
_WITHOUT = (
    Column("file", "file"),
    Column("case", "case"),
    Column("why there is no set", lambda outcome: " ".join(outcome.said)),
)


def _report(outcomes: list[Outcome]) -> Report:
    """Make the report of a batch: how many of each, and why some have no set."""
    count = Counter(outcome.state for outcome in outcomes)
    rods = {state: sum(o.rods for o in outcomes if o.state == state) for state in _WORDS}
    rows = [(state, count[state], rods[state]) for state in _WORDS if count[state]]
    without = [outcome for outcome in outcomes if outcome.state in _STATUS]
    sections = [Section("Batch", table=Table.of(_COUNTS, rows))]
    if without:
        sections.append(Section("Without a set", table=Table.of(_WITHOUT, without)))
    return Report("Batch", tuple(sections))
