"""Processor time and peak memory of every look at records of 100, 1,000 and 10,000 cases.

Usage: python -m tests.benchmarks.record [--cases N...] [--postgresql]

Invented data: each case has one made set of four rods, laid out in a build with nine others; every
third case, and one with forty sets, is measured, released and delivered. The example set is there
as well, measured and released by the rules. `--postgresql` keeps the record on a server of its
own, whose time is not counted. Prints the table of DEVELOPERS, a column a size.
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import json
import os
import random
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import psycopg

from labkit.catalog.places import templates_dir
from labkit.core.case.identifier import rod_identifier
from labkit.kept import VARIABLE
from labkit.ledger.events import Entry, Event, Kind, next_event
from labkit.ledger.rows import content_sha256
from labkit.ledger.store import look_into, open_ledger
from labkit.workflow.inspection.release import release
from tests.support import postgres, workplaces
from tests.support.ledgers import Pen
from tests.support.making import recorder_for
from tests.support.measured import measure_all
from tests.support.measured_rods import reading
from tests.support.recorded import graded, parallel, set_body

#: After the example set's own entries.
START = datetime.datetime(2031, 3, 24, 9, 0, tzinfo=datetime.UTC)
CASES = (100, 1_000, 10_000)
MANY_SETS = 40
SPEC = templates_dir().parent / "output_examples/demo/HLB-0107-r1/spacer-set.json"
MANY = "QF-MANY"
#: No command may take longer, seconds.
PATIENCE = 600.0
#: Cases that share a build.
TOGETHER = 10
#: Asks a workplace for its pages: processor seconds of each, and the most memory, MB.
PAGES = """
import sys, time
from pathlib import Path
from labkit.web.workplace import Workplace
from tests.support import workplaces
place = Workplace(sys.argv[1], sets=Path(sys.argv[2]), now=lambda: workplaces.NOW)
browser = workplaces.client_of(place)
for page in sys.argv[3:]:
    begun = time.process_time()
    assert browser.get(page).status_code == 200, page
    taken = time.process_time() - begun
    print(taken, int(open("/proc/self/status").read().split("VmHWM:")[1].split()[0]) / 1024)
"""


def entries(cases: int, after: int) -> Iterator[Entry]:
    """Give what is recorded, in order, after so many entries."""
    rng = random.Random(11)
    text = parallel("CASE-NUMBER")
    steps = graded(text).steps[:2]
    pattern = set_body(text, "SET", steps=steps)
    spec = json.loads(SPEC.read_text("utf-8"))
    count, taken = after, set()

    def entry(kind: Kind, case: str, body: dict[str, object]) -> Entry:
        nonlocal count
        count += 1
        return Entry(kind, case, body, "anna", START + datetime.timedelta(seconds=20 * count))

    for number in range(1, cases + 2):
        case = MANY if number > cases else f"QF-{number:05}"
        yield entry(Kind.CASE_OPENED, case, {})
        own = text.replace("CASE-NUMBER", case)
        yield entry(Kind.PRESCRIPTION, case, {"revision": 1, "text": own})
        for revision in range(1, (MANY_SETS if case == MANY else 1) + 1):
            name = f"{case}-r{revision}"
            rods = [{**rod, "identifier": untaken(name, revision, rod, taken)}
                    for rod in pattern["rods"]]
            process = {**pattern["process"], "name": f"resin-{number % 5}"}
            started = {**pattern, "set": name, "rods": rods, "process": process,
                       "set_revision": revision, "purpose": "extra" if revision > 1 else "set"}
            yield entry(Kind.SET_STARTED, case, started)
            yield entry(Kind.SET_MADE, case, {
                "set": name, "folder": f"sets/{name}", "sums_sha256": "cd" * 32, "spec": spec,
            })
            process_sha256 = content_sha256(process)
            yield entry(Kind.BUILD, case, {
                "build": number // TOGETHER + 1, "process": process["name"],
                "process_sha256": process_sha256, "folder": f"builds/{number // TOGETHER + 1}",
                "sums_sha256": "cd" * 32, "pieces": [
                    {"identifier": rod["identifier"], "bed": 1, "place": place}
                    for place, rod in enumerate(rods, number % TOGETHER * len(rods) + 1)
                ],
            })
            if number % 3 == 0 or case == MANY:
                day = f"{(START + datetime.timedelta(seconds=20 * count)).date()}"
                basis = []
                for rod in rods:
                    off = round(rng.gauss(0.01, 0.035), 3)
                    yield entry(Kind.READING, case, reading(rod, off, day=day))
                    place = {name: rod[name] for name in ("identifier", "step", "side")}
                    basis.append({**place, "reading_events": [count]})
                release = {"set": name, "decision": "released", "basis": {"rods": basis}}
                yield entry(Kind.RELEASE, case, release)
                for rod in rods:
                    state = {"identifier": rod["identifier"], "state": "delivered"}
                    yield entry(Kind.ROD_STATE, case, state)


def untaken(name: str, revision: int, rod: dict[str, object], taken: set[str]) -> str:
    """Give an identifier that no rod bears, as the recorder does."""
    for attempt in itertools.count():
        identifier = rod_identifier(name, revision, rod["step"], rod["side"], attempt)
        if identifier not in taken:
            taken.add(identifier)
            return identifier
    raise AssertionError


def fill(url: str, cases: int) -> int:
    """Record it all in one transaction, without the questions that one entry at a time asks."""

    def events() -> Iterator[Event]:
        head = ledger.head()
        for one in entries(cases, head.count):
            event = next_event(head, one)
            head = type(head)(event.seq, event.digest)
            yield event

    record_whole(url)
    with open_ledger(url) as ledger, ledger.transaction():
        ledger.append(events())
        return ledger.head().count


def record_whole(url: str) -> None:
    """Record the example set, measured and released as the program asks for it."""
    with recorder_for(url) as recorder, tempfile.TemporaryDirectory() as folder:
        workplaces.record_example(Pen(recorder.ledger))
        measure_all(recorder, workplaces.CASE)
        release(
            recorder.ledger, workplaces.CASE, None, Path(folder), ("kim", recorder.now()),
        )


def pages_of(url: str, folder: Path) -> Iterator[tuple[str, float, float]]:
    """Ask a workplace for its pages, in a process of their own: name, seconds, memory."""
    pages = {
        "page: today, the first time": "/",
        "page: today": "/",
        "page: cases": "/cases",
        "page: search for a case": "/cases?find=QF-00003",
        "page: a case, one set": "/cases/QF-00003",
        f"page: a case, {MANY_SETS} sets": f"/cases/{MANY}",
    }
    done = subprocess.run(
        [sys.executable, "-c", PAGES, url, str(folder), *pages.values()],
        capture_output=True, text=True, check=False, timeout=PATIENCE,
    )
    assert done.returncode == 0, done.stderr
    for name, line in zip(pages, done.stdout.splitlines(), strict=True):
        seconds, memory = map(float, line.split())
        yield name, seconds, memory


def measured(arguments: list[str]) -> tuple[float, float]:
    """Run a command: processor seconds, and the most memory, MB."""
    code = (
        "import resource, sys\nfrom labkit.cli.main import cli\n"
        "try:\n    cli(sys.argv[1:])\nfinally:\n"
        "    use = resource.getrusage(resource.RUSAGE_SELF)\n"
        "    peak = open('/proc/self/status').read().split('VmHWM:')[1].split()[0]\n"
        "    print(use.ru_utime + use.ru_stime, int(peak) / 1024, file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False,
        timeout=PATIENCE,
    )
    seconds, memory = done.stderr.split()[-2:]
    assert done.returncode == 0, done.stderr
    return float(seconds), float(memory)


def commands(folder: Path, url: str) -> dict[str, list[str]]:
    """Give the looks, by name."""
    identifier = rod_identifier(f"{MANY}-r7", 7, 1, "left")
    with look_into(url) as ledger:
        left, right = (
            rod.label for rod in ledger.rods_of_set(f"{MANY}-r1") if rod.step == 1
        )
    return {
        "`cases`, the first time": ["cases"],
        "`cases`": ["cases"],
        "`cases --json`": ["cases", "--json"],
        f"`show`, {MANY_SETS} sets": ["show", MANY],
        "`show`, one set": ["show", "QF-00003"],
        "`show --prescription`": ["show", MANY, "--prescription"],
        f"`sheet`, {MANY_SETS} sets": ["sheet", MANY],
        "`sheet`, one set": ["sheet", "QF-00003"],
        "`find`, with its build": ["find", identifier],
        "`rod`, a pair": ["rod", f"{left}L", f"{right}R", "--case", MANY],
        "`extra --dry-run`": ["extra", "QF-00003", "--percent", "55", "--dry-run",
                              "--process-as-stored"],
        "`limits`": ["limits", workplaces.CASE],
        "`certificate`": ["certificate", workplaces.CASE, "--out", str(folder)],
        "`capability`": ["capability"],
        "`capability --process`": ["capability", "--process", "resin-2"],
        "`capability --case`": ["capability", "--case", MANY],
        "`chart`": ["chart"],
        "`rejects`": ["rejects"],
        "`recall`, the first time": ["recall", "--json"],
        "`recall`": ["recall", "--json"],
        "`history`": ["history", workplaces.CASE],
        "`ledger verify`": ["ledger", "verify"],
        "`ledger export`": ["ledger", "export", str(folder / "export.jsonl")],
        "`ledger backup`": ["ledger", "backup", str(folder / "backup.sqlite")],
    }


def size_of(url: str) -> int:
    """Give the bytes that a record takes in its database."""
    if "://" not in url:
        return Path(url).stat().st_size
    with psycopg.connect(url) as connection:
        return connection.execute("SELECT pg_database_size(current_database())").fetchone()[0]


def looked_at(cases: int, *, postgresql: bool) -> Iterator[tuple[str, str, float]]:
    """Fill a record of so many cases; give each look with what it took, and its memory."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        os.environ[VARIABLE] = str(folder / "cache")
        url = str(folder / "ledger.sqlite")
        if postgresql:
            url = stack.enter_context(postgres.running_server())
        empty = size_of(url) if postgresql else 0
        count = fill(url, cases)
        yield "entries", f"{count:,}", 0.0
        yield "bytes a case", f"{(size_of(url) - empty) / (cases + MANY_SETS):,.0f}", 0.0
        looks = (
            (name, *measured([*arguments, "--ledger", url]))
            for name, arguments in commands(folder, url).items()
        )
        for name, seconds, memory in itertools.chain(looks, pages_of(url, folder)):
            print(f"{cases:6} {name:30} {seconds:8.2f} s {memory:6.0f} MB", file=sys.stderr)
            yield name, f"{seconds:.2f}", memory


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, nargs="+", default=CASES)
    parser.add_argument("--postgresql", action="store_true")
    given = parser.parse_args()
    columns = [list(looked_at(cases, postgresql=given.postgresql)) for cases in given.cases]
    print("| | " + " | ".join(f"{cases:,} cases" for cases in given.cases) + " | MB |")
    print("| --- " * (len(columns) + 2) + "|")
    for row in zip(*columns, strict=True):
        memory = max(memory for *_, memory in row)
        print(f"| {row[0][0]} | " + " | ".join(told for _, told, _ in row) + f" | {memory:.0f} |")


if __name__ == "__main__":
    main()
