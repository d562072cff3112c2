"""Whole processes: a set of 12 rods by a plain script and by `labkit make`, and peak memory.

    python -m tests.benchmarks.whole_sets SETS.toml FOLDER CHORD TURN   (the script's process)
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.support.prescriptions import SMALLEST, changed

ROUNDS = 3
GOALS = (
    "goals: 12 rods at least 2.80 times the script, cache empty or filled, within 3 s on two idle "
    "cores and 600 MB; 60 steps within 700 MB"
)
#: Sides differ, so that every rod is a part of its own.
SIDES = (
    "pin_distance = 33.6\n", "left.pin_distance = 33.6\nright.pin_distance = 33.9\n",
)
STEPS = ("percent = [50, 62.5, 75, 87.5, 100]\nstart = 62.5", "percent = {}\ntolerance = 0.02")


def prescription(steps: int) -> str:
    """Prescribe so many steps of both sides, from 5 to 100 % of a range wide enough for 60."""
    percents = [round(100 - 95 * (steps - 1 - step) / (steps - 1), 2) for step in range(steps)]
    return changed(
        SMALLEST, SIDES, (STEPS[0], STEPS[1].format(percents)),
        ("retruded = -5.2", "retruded = -9.2"), ("protruded = 6.4", "protruded = 9.4"),
    )


#: Starts a process and tells what it used. It is small itself: the system counts what a process
#: had before it became another one.
_WATCH = """
import json, resource, subprocess, sys, time
begin = time.perf_counter()
subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True)
wall_s, used = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024]))
"""


class Run:
    """A process that ended: its wall and processor time, and the most memory that it had."""

    def __init__(self, words: list[str], **settings: str) -> None:
        # As where somebody works: what is compiled once is kept.
        own = {key: text for key, text in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        told = subprocess.run(
            [sys.executable, "-c", _WATCH, sys.executable, *words], env={**own, **settings},
            stdout=subprocess.PIPE, check=True, timeout=1800,
        ).stdout
        self.wall_s, self.processor_s, self.most_mb = json.loads(told)


def report_whole_sets(chord_mm: float, turn_rad: float) -> None:
    """Print processor time, wall time and memory of whole runs: the least, and the most memory.

    Each round makes all of them in turn, so that a busy machine slows all alike; wall time tells
    something on idle cores alone. A set is made in one process: its memory is all that there is.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for steps in (6, 60):
            (folder / f"{steps}.toml").write_text(prescription(steps), "utf-8")
        script = ["-m", "tests.benchmarks.whole_sets", str(folder / "6.toml"), name,
                  str(chord_mm), str(turn_rad)]  # fmt: skip
        each_round: dict[str, Callable[[], Run]] = {
            "CadQuery script, bare STEP and STL": lambda: Run(script),
            "labkit make, cache empty": lambda: made(folder, 6, keeps=False),
            "labkit make, cache filled": lambda: made(folder, 6, keeps=True),
        }
        runs = [{name: run() for name, run in each_round.items()} for _ in range(ROUNDS)]
        found = {name: [one[name] for one in runs] for name in each_round}
        found["labkit make of 60 steps"] = [made(folder, 60, keeps=True)]
    base = min(run.processor_s for run in found["CadQuery script, bare STEP and STL"])
    print("whole processes, 12 rods (6 steps of two sides), least of", ROUNDS)
    for name, ran in found.items():
        processor_s, wall_s = (min(getattr(run, what) for run in ran)
                               for what in ("processor_s", "wall_s"))
        print(f"{name:<36}{processor_s:7.2f} s processor{wall_s:7.2f} s wall"
              f"{max(run.most_mb for run in ran):7.0f} MB at most"
              f"{base / processor_s:7.2f} times the script")
    print(GOALS)


def made(folder: Path, steps: int, *, keeps: bool) -> Run:
    """Make a set by the command, recorded, all checks and papers with it."""
    for place in ("sets", *(() if keeps else ("cache",))):
        shutil.rmtree(folder / place, ignore_errors=True)
    (folder / "ledger.sqlite").unlink(missing_ok=True)
    return Run(
        ["-m", "labkit", "make", str(folder / f"{steps}.toml"), "--out", str(folder / "sets"),
         "--by", "anna"],
        LABKIT_LEDGER=str(folder / "ledger.sqlite"), LABKIT_CACHE=str(folder / "cache"),
    )


def script(file: str, folder: str, chord: str, turn: str) -> None:
    """Model and write the rods of a set as a plain CadQuery script does, nothing else."""
    from labkit.catalog.rods import rod_templates
    from labkit.catalog.toml_source import parse_toml
    from labkit.core.rod.parts import parts_of
    from labkit.workflow.sets.cases import open_case
    from tests.benchmarks.fluent import export, fluent_rod

    case = open_case(parse_toml(Path(file).read_text("utf-8"), file), rod_templates())
    for part in parts_of(case.spacer_set, case.template, None, ""):
        export(fluent_rod(part.rod), Path(folder), float(chord), float(turn))


if __name__ == "__main__":
    script(*sys.argv[1:])
