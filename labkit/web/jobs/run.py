"""The process of one make: `python -m labkit.web.jobs.run FOLDER NAME`."""

from __future__ import annotations

import datetime
import sys
import traceback
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from labkit.catalog.processes import find_process, processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.rod_life import RodState
from labkit.documents.standing import standing_sentences
from labkit.errors import InputError, LabkitError
from labkit.ledger.store import open_ledger
from labkit.web.asked_rods import order_of
from labkit.web.jobs.job import Files, How, Order, State, What
from labkit.web.owner_only import put
from labkit.workflow.record.printed import note_printed
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.rods.extra import extra_plan, make_extra
from labkit.workflow.rods.replace import ReplacementOrder, make_replacement, sweep_before
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.job import Means
from labkit.workflow.sets.make import count_files, make_set
from labkit.workflow.sets.papers import count_papers, open_set, remake_papers
from labkit.workflow.sets.standing import with_standing

if TYPE_CHECKING:
    from labkit.workflow.sets.make import MadeSet


class _Told:
    """Writes down how far it is, after every part."""

    def __init__(self, files: Files) -> None:
        self._files, self.state = files, State(How.MAKING)
        self.tell()

    def tell(self) -> None:
        self._files.write(self._files.progress, self.state)

    def of(self, total: int) -> None:
        self.state = replace(self.state, total=total)
        self.tell()

    def __call__(self, last: str) -> None:
        self.state = replace(self.state, done=self.state.done + 1, last=last)
        self.tell()

    def end(self, how: How, sentences: tuple[str, ...], made: str = "") -> None:
        self.state = replace(self.state, how=how, sentences=sentences, made=made)
        self.tell()


def main(folder: Path, name: str) -> None:
    """Make what a job orders, and write down how far it is and how it ends.

    Its ledger is that of the environment.
    """
    files = Files(folder, name)
    with files.lock:
        told = _Told(files)
        try:
            end = _done(files.read_order(), told)
        except LabkitError as error:
            told.end(How.REFUSED, tuple(str(error).splitlines()))
        except Exception as error:
            what = f"the program met something that it does not foresee ({type(error).__name__})"
            put(files.trace, traceback.format_exc().encode("utf-8", "replace"))
            trace = f"its trace is kept as {files.trace.name}"
            next_ = f"look at the case before you make it again; {trace}"
            told.end(How.REFUSED, (f"{what}; {next_}",))
            raise
        else:
            told.end(*end)


def _done(order: Order, told: _Told) -> tuple[How, tuple[str, ...], str]:
    """Do what is ordered; give how it ended, what to know of it, and the set that was made."""
    with open_ledger(create=False) as ledger:
        recorder = Recorder(ledger, order.by, _now, lambda _: None)
        if order.what is What.SCAN:
            # What measures scans is loaded for a scan alone.
            from labkit.web.jobs.scan import measure_scan

            return How.MEASURED, measure_scan(order, recorder), ""
        if order.what is What.PAPERS:
            return _papers(order, recorder, told)
        make = {What.SET: _set, What.BETWEEN: _between, What.ANEW: _anew}[order.what]
        made = make(order, recorder, told)
        return How.MADE, made.changed, made.folder.name


def _papers(order: Order, recorder: Recorder, told: _Told) -> tuple[How, tuple[str, ...], str]:
    """Print the papers of a set again, as they are today."""
    stored = recorder.ledger.set_named(order.asked["set"])
    if stored is None:
        raise InputError(f"the ledger has no set {order.asked['set']}; open its case again")
    folder = Path(stored.folder)
    spec = with_standing(open_set(folder), recorder.ledger)
    told.of(count_papers(len(spec["parts"])))
    remake_papers(folder, spec, None, None, told)
    note_printed(recorder, spec)
    return How.PRINTED, standing_sentences(spec), stored.name


def _set(order: Order, recorder: Recorder, told: _Told) -> MadeSet:
    """Make a set from the newest prescription on record."""
    stored, installed = recorder.ledger.prescription(order.case), order.own.installed()
    case = open_case(parse_toml(stored.text, order.case), dict(installed.templates))
    profile = installed.profile or default_profile()
    named = order.own.process or profile.process
    process = find_process(processes(order.own.processes), order.own.process_name())
    means = Means(process, installed.lettering, profile, process_named=bool(named))
    told.of(count_files(case, means))
    return make_set(case, means, Path(order.sets), told, recorder)


def _between(order: Order, recorder: Recorder, told: _Told) -> MadeSet:
    """Make rods in between."""
    asked, installed = order_of(order.case, order.asked), order.own.installed()
    parts = len(extra_plan(recorder.ledger, asked, installed).planned(installed.lettering))
    told.of(parts + 1 + count_papers(parts))
    return make_extra(asked, installed, Path(order.sets), told, recorder)


def _anew(order: Order, recorder: Recorder, told: _Told) -> MadeSet:
    """Make rods once more: those that are rejected for a cause, or are gone already."""
    asked, installed, out = order.asked, order.own.installed(), Path(order.sets)
    cause = asked.get("cause")
    wanted = ReplacementOrder(
        tuple(asked["rods"].split()), asked["reason"], RodState.REJECTED if cause else None, cause
    )
    sweep_before(recorder.ledger, wanted, out)
    means = installed.lettering, installed.profile
    return make_replacement(wanted, means, out, told, recorder)


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
