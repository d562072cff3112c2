"""`labkit batch`: the sets of many prescriptions, in several processes or through a queue."""

from __future__ import annotations

import functools
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import rich_click

from labkit.catalog.places import files_in
from labkit.cli.common import (
    PROCESS,
    PROCESSES,
    PROFILE,
    TEMPLATES,
    Run,
    err,
    open_source,
    say,
    sets_option,
)
from labkit.cli.ending import NotShownError
from labkit.cli.print_report import print_report
from labkit.cli.process.notes import close_with, note_all, open_with, trend_notes
from labkit.cli.record.recording import may_record, not_recorded, said
from labkit.cli.sets.one_of_many import Bench, failed, make_one
from labkit.cli.sets.outcome_log import LOG, Log, line_of, log_into
from labkit.core.report import Column, Report, Section, Table
from labkit.done import tell_done
from labkit.errors import EXIT_REFUSED, EXIT_UNREADABLE, DeliveryError, InputError, LabkitError
from labkit.units import counted
from labkit.workflow.sets.batch import LOST, Outcome, in_a_pool, twice_named

if TYPE_CHECKING:
    from labkit.workflow.record.recorder import Recorder
    from labkit.workflow.sets.job import Means

MOST_WORKERS = 64
WORKERS = click.option(
    "--workers", type=click.IntRange(1, MOST_WORKERS), metavar="N",
    help="Processes that work side by side; default: one for each core.",
)
WORDS = {
    "made": "made",
    "there": "made before",
    "waiting": "waiting in the queue",
    "at work": "at work",
    "refused": "refused by a rule of the trade",
    "not written": "could not be written",
    "unreadable": "cannot be read",
    "broken off": "broken off",
    "given up": "given up: no host could make it",
}
_STATUS = {
    "refused": EXIT_REFUSED, "not written": EXIT_REFUSED, "broken off": EXIT_REFUSED,
    "given up": EXIT_REFUSED, "unreadable": EXIT_UNREADABLE,
}
#: The time left is told from the sets of so many seconds.
_PACE_SECONDS = 600.0


@click.command("batch", cls=rich_click.RichCommand)
@click.argument("places", metavar="FILE|FOLDER...", nargs=-1, required=True)
@sets_option("each set is")
@WORKERS
@click.option("--queue", "queued", is_flag=True,
              help="Leave the sets to `labkit worker` on any host: they wait in the database of "
              "the record (PostgreSQL).")
@click.option("--wait", is_flag=True,
              help="With --queue: stay until every set is made or refused.")
@click.option("--again", is_flag=True,
              help="With --queue: ask once more for what workers could not make, whether it was "
              "refused, not written (such as on a full disk), given up or broken off.")
@LOG
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

    FOLDER means every .toml file in it (also .TOML; hidden files are left out). A prescription
    that is refused or cannot be read stops no other. Run again, even after a crash, the command
    makes what is missing and nothing twice. With --by every set is recorded, as by `labkit make`.
    Ctrl-C stops it when the sets at work are made; a second one stops it at once.

    With --queue the sets are made by `labkit worker` on whichever hosts are free (labkit guide
    many); run again, the command shows how far they are, and why there is no set.

    Example: labkit batch prescriptions --out sets --process example-resin --by anna
    """
    run, as_json = Run(), given["as_json"]
    files = [str(path) for place in places for path in files_in(place, "prescriptions")]
    ledger_url = click.get_current_context().params.get("ledger_url")
    bench = Bench(
        out_dir, given["process_name"], given["process_places"], given["profile_path"],
        given["template_places"], recorder.by if recorder else None, ledger_url,
    )
    with log_into(given["log_file"]) as log:
        stop = threading.Event()
        made, means = _way_of(bench, given, stop), bench.means
        open_with(means)
        reader = recorder.ledger if recorder else None
        note_all(trend_notes(means.process, reader, ledger_url), to_stderr=as_json)
        _make(out_dir)
        outcomes = _told(bench, _sorted_out(files, made), len(set(files)), log, stop, as_json)
    place = {file: at for at, file in enumerate(files)}
    outcomes.sort(key=lambda outcome: place[outcome.file])
    if not as_json:
        print_report(_report(outcomes))
    run.done = sum(outcome.state in ("made", "there") for outcome in outcomes)
    run.exit_code = max(_STATUS.get(outcome.state, 0) for outcome in outcomes)
    run.exit_code = max(run.exit_code, EXIT_REFUSED * log.is_broken)
    _close(outcomes, means, recorder, to_stderr=as_json)
    run.finish(cautions=not as_json)


def _make(out_dir: Path) -> None:
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DeliveryError(
            f"the folder of the sets, {out_dir}, cannot be made: {error.strerror or error}; name "
            "one that can be written with --out", field="out", value=str(out_dir),
        ) from error


def _told(
    bench: Bench, coming: Iterator[Outcome], total: int, log: Log, stop: threading.Event,
    as_json: bool,
) -> list[Outcome]:
    """Log each outcome as it comes, and print it as JSON.

    Args:
        coming: Ends with the sets at work once `stop` is set.

    Raises:
        KeyboardInterrupt: Ctrl-C, after the sets at work were made.
        NotShownError: What was printed reached nobody; after the sets at work were made.
    """
    outcomes: list[Outcome] = []
    not_shown: NotShownError | None = None

    def take(step: Callable[[], None]) -> None:
        nonlocal not_shown
        for outcome in coming:
            outcomes.append(outcome)
            log.add(outcome)
            step()
            try:
                if as_json and not_shown is None:
                    click.echo(line_of(outcome))
            except NotShownError as error:
                not_shown = error
                stop.set()

    try:
        with _time_left(total) as step:
            try:
                take(step)
            except KeyboardInterrupt:
                stop.set()
                take(step)
                raise
    finally:
        if made := sum(outcome.state == "made" for outcome in outcomes):
            recorded = f" and recorded by {bench.by}" if bench.by else ""
            tell_done(f"{counted(made, 'set')} made in {bench.out_dir}{recorded}")
    if not_shown is not None:
        raise not_shown
    return outcomes


#: Makes the sets of prescriptions, file → case number; gives what became of each.
Made = Callable[[dict[str, str]], Iterator[Outcome]]


def _way_of(bench: Bench, given: dict[str, Any], stop: threading.Event) -> Made:
    """Choose who makes the sets.

    Args:
        stop: No set is begun, and no worker waited for, once it is set.

    Raises:
        InputError: Options that do not go together, or there is no queue.
        LedgerError: The database of the queue cannot be reached.
    """
    if given["wait"] and not given["queued"]:
        raise InputError("--wait waits for a queue; add --queue", field="wait")
    if given["again"] and not given["queued"]:
        raise InputError(
            "--again asks a queue once more; add --queue, or leave it out: without a queue what is "
            "missing is tried each time", field="again",
        )
    if not given["queued"]:
        return functools.partial(_made_here, bench, given["workers"] or os.cpu_count() or 1, stop)
    if given["workers"]:
        raise InputError(
            "--workers are those of a batch on this machine; with --queue, say it to each "
            "`labkit worker`", field="workers", value=given["workers"],
        )
    if bench.by is None:
        raise InputError(
            "--queue makes recorded sets; name who asks for them with --by", field="by"
        )
    from labkit.cli.sets.queued import through_queue
    from labkit.workflow.sets.queue import Queue

    queue = Queue(bench.ledger_url)
    queue.begin()
    return functools.partial(
        through_queue, queue, bench, wait=given["wait"], again=given["again"], stop=stop
    )


def _sorted_out(files: list[str], made: Made) -> Iterator[Outcome]:
    """Leave out what cannot be read and what is prescribed twice; have the rest made."""
    cases = {}
    for file in dict.fromkeys(files):
        try:
            _refuse_pipe(file)
            cases[file] = str(open_source(file).data.get("case", ""))
        except LabkitError as error:
            yield failed(file, "", error)
    for named in twice_named({file: case for file, case in cases.items() if case}):
        said = _twice(named, cases)
        for file in named:
            yield Outcome(file, cases.pop(file), "refused", said=(said,))
    yield from made(cases)


def _refuse_pipe(file: str) -> None:
    if Path(file).exists() and not Path(file).is_file():
        raise InputError(
            "is no regular file but a pipe, device or folder; a batch reads files: save the "
            "prescription as one", where=file,
        )


def _twice(named: tuple[str, ...], cases: dict[str, str]) -> str:
    told = dict.fromkeys(cases[file] for file in named)
    files = f"{len(named)} files, {', '.join(named)}"
    if len(told) > 1:
        return (
            f"cases {', '.join(told)} are prescribed in {files}: on a drive where capitals and "
            "small letters are the same their folders would be one; give them other numbers"
        )
    return (
        f"case {next(iter(told))} is prescribed in {files}; keep one of them, or make them one "
        "after the other with `labkit make`"
    )


def _made_here(
    bench: Bench, workers: int, stop: threading.Event, cases: dict[str, str]
) -> Iterator[Outcome]:
    yield from in_a_pool(
        functools.partial(make_one, bench), list(cases), min(workers, max(len(cases), 1)),
        lambda file: Outcome(file, cases[file], "broken off", said=(LOST,)), stop,
    )


def _close(
    outcomes: list[Outcome], means: Means, recorder: Recorder | None, *, to_stderr: bool
) -> None:
    """Say what made the sets, where they are recorded, and who makes the rest."""
    states = Counter(outcome.state for outcome in outcomes)
    if states["made"] or states["there"]:
        close_with(means, to_stderr=to_stderr)
        if states["made"] or recorder is None:
            said(recorder or not_recorded("name who makes it with --by"), to_stderr=to_stderr)
    if left := states["waiting"] + states["at work"]:
        say(f"Left to `labkit worker`: {counted(left, 'set')}; the same command again shows how "
            "far they are", to_stderr=to_stderr)


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
    with Progress(
        *columns, console=err(), transient=True, speed_estimate_period=_PACE_SECONDS
    ) as bar:
        task = bar.add_task("", total=total)
        yield lambda: bar.advance(task)


_COUNTS = (
    Column("sets", lambda row: WORDS[row[0]]),
    Column("prescriptions", lambda row: row[1]),
    Column("rods", lambda row: row[2]),
)
_WITHOUT = (
    Column("file", "file"),
    Column("case", "case"),
    Column("why there is no set", lambda outcome: "; ".join(outcome.said)),
)


def _report(outcomes: list[Outcome]) -> Report:
    """Make the report of a batch: how many of each, and why some have no set."""
    count = Counter(outcome.state for outcome in outcomes)
    rods = {state: sum(o.rods for o in outcomes if o.state == state) for state in WORDS}
    rows = [(state, count[state], rods[state]) for state in WORDS if count[state]]
    without = [
        outcome for outcome in outcomes
        if outcome.state in _STATUS or (outcome.state == "waiting" and outcome.said)
    ]
    sections = [Section("Batch", table=Table.of(_COUNTS, rows))]
    if without:
        sections.append(Section("Without a set", table=Table.of(_WITHOUT, without)))
    return Report("Batch", tuple(sections))
