"""`labkit worker`: makes the sets that wait in the queue of a record, on any host."""

from __future__ import annotations

import functools
import os
from pathlib import Path
from typing import Any

import click
import rich_click

from labkit.cli.common import LEDGER, PROCESSES, PROFILE, TEMPLATES, say
from labkit.cli.sets.batch import WORDS, WORKERS
from labkit.cli.sets.one_of_many import Bench, make_asked
from labkit.cli.sets.outcome_log import LOG, log_into
from labkit.errors import EXIT_REFUSED
from labkit.units import counted
from labkit.workflow.sets.batch import Outcome
from labkit.workflow.sets.queue import MOST_TRIES


@click.command("worker", cls=rich_click.RichCommand)
@WORKERS
@click.option("--once", is_flag=True,
              help="End when no set that a host can make waits or is at work; without it, wait for "
              "more.")
@LOG
@LEDGER
@PROCESSES
@PROFILE
@TEMPLATES
def command(ledger_url: str | None, **given: Any) -> None:
    """Make the sets that `labkit batch --queue` asks for, on this host.

    Start one on each host: they share what waits. The folder of the sets must be the same place on
    all of them, and the lab's own templates, processes and profile the same files. Ctrl-C stops it
    when the sets at work are made. If it is killed, others take up what it had at work.

    Example: labkit worker --ledger postgresql://lab@server/lab
    """
    from labkit.workflow.sets.queue import Queue
    from labkit.workflow.sets.queue_worker import Work, work_through

    processes = given["workers"] or os.cpu_count() or 1
    bench = Bench(
        Path(), None, given["process_places"], given["profile_path"], given["template_places"],
        None, ledger_url,
    )
    with log_into(given["log_file"]) as log:
        queue = Queue(ledger_url)
        say(f"Makes what waits in the queue of {queue.place}; stop it with Ctrl-C", to_stderr=True)

        def told(outcome: Outcome) -> None:
            log.add(outcome)
            say(_sentence(outcome))

        left = work_through(Work(
            queue, functools.partial(make_asked, bench), processes, told,
            functools.partial(say, to_stderr=True), given["once"],
        ))
    if left:
        say(f"labkit: {counted(left, 'set')} left in the queue: no host could make any in "
            f"{MOST_TRIES} tries; the same `labkit batch` again says why", to_stderr=True)
    if left or log.is_broken:
        click.get_current_context().exit(EXIT_REFUSED)


def _sentence(outcome: Outcome) -> str:
    what = f"{outcome.case}: {WORDS[outcome.state]}"
    if outcome.folder:
        return f"{what}, {outcome.folder}"
    return f"{what}: {' '.join(outcome.said)}"
