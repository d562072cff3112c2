"""Processor time of every look at records of 100, 1,000 and 10,000 cases, as a table.

Usage: python -m tests.benchmarks.record [--cases N...] [--postgresql]

Invented data: each case has one made set of four rods; every third case, and one with forty sets,
is measured, released and delivered. `--postgresql` keeps the record on a server of its own, whose
time is not counted.
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import json
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
from labkit.ledger.events import Entry, Event, Kind, next_event
from labkit.ledger.store import look_into, open_ledger
from tests.support import postgres
from tests.support.measured_rods import reading
from tests.support.recorded import graded, parallel, set_body

START = datetime.datetime(2031, 3, 14, 9, 0, tzinfo=datetime.UTC)
CASES = (100, 1_000, 10_000)
MANY_SETS = 40
SPEC = templates_dir().parent / "output_examples/demo/HLB-0107-r1/spacer-set.json"
MANY = "QF-MANY"


def entries(cases: int) -> Iterator[Entry]:
    """Give what is recorded, in order."""
    rng = random.Random(11)
    text = parallel("CASE-NUMBER")
    steps = graded(text).steps[:2]
    pattern = set_body(text, "SET", steps=steps)
    spec = json.loads(SPEC.read_text("utf-8"))
    count, taken = 0, set()

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
        for one in entries(cases):
            event = next_event(head, one)
            head = type(head)(event.seq, event.digest)
            yield event

    with open_ledger(url) as ledger, ledger.transaction():
        ledger.append(events())
        return ledger.head().count


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
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
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
        "`cases`": ["cases"],
        "`cases --json`": ["cases", "--json"],
        f"`show`, {MANY_SETS} sets": ["show", MANY],
        "`show`, one set": ["show", "QF-00003"],
        "`show --prescription`": ["show", MANY, "--prescription"],
        f"`sheet`, {MANY_SETS} sets": ["sheet", MANY],
        "`sheet`, one set": ["sheet", "QF-00003"],
        "`find`": ["find", identifier],
        "`rod`, a pair": ["rod", f"{left}L", f"{right}R", "--case", MANY],
        "`extra --dry-run`": ["extra", "QF-00003", "--percent", "55", "--dry-run",
                              "--process-as-stored"],
        "`capability`": ["capability"],
        "`capability --process`": ["capability", "--process", "resin-2"],
        "`capability --case`": ["capability", "--case", MANY],
        "`chart`": ["chart"],
        "`rejects`": ["rejects"],
        "`recall`": ["recall", "--json"],
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


def looked_at(cases: int, *, postgresql: bool) -> Iterator[tuple[str, str]]:
    """Fill a record of so many cases; give each look with what it took."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        url = str(folder / "ledger.sqlite")
        if postgresql:
            url = stack.enter_context(postgres.running_server())
        empty = size_of(url) if postgresql else 0
        count = fill(url, cases)
        yield "entries", f"{count:,}"
        yield "bytes a case", f"{(size_of(url) - empty) / (cases + MANY_SETS):,.0f}"
        for name, arguments in commands(folder, url).items():
            seconds, memory = measured([*arguments, "--ledger", url])
            print(f"{cases:6} {name:24} {seconds:8.2f} s {memory:6.0f} MB", file=sys.stderr)
            yield name, f"{seconds:.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, nargs="+", default=CASES)
    parser.add_argument("--postgresql", action="store_true")
    given = parser.parse_args()
    columns = [dict(looked_at(cases, postgresql=given.postgresql)) for cases in given.cases]
    print("| | " + " | ".join(f"{cases:,} cases" for cases in given.cases) + " |")
    print("| --- " * (len(columns) + 1) + "|")
    for name in columns[0]:
        print(f"| {name} | " + " | ".join(column[name] for column in columns) + " |")


if __name__ == "__main__":
    main()
