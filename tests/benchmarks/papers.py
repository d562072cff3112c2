"""Time of a set's papers beside its solids, in one run: `python -m tests.benchmarks.papers`."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.catalog.profiles import default_profile
from labkit.catalog.rods import rod_templates
from labkit.workflow.sets import make, papers
from labkit.workflow.sets.cases import open_case
from tests.support.prescriptions import SMALLEST, changed, hinged, source

ROUNDS = 3
SIX = "percent = [50, 60, 70, 80, 90, 100]"
CASES = {
    "6 steps, one part for both sides": changed(
        SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]", SIX), ("start = 62.5", "start = 60")
    ),
    "6 steps, mirror parts": changed(
        hinged(), ("protruded = 6.0", "protruded = 5.2"), ("percent = [60, 75, 90]", SIX),
        ("start = 75", "start = 80"),
    ),
}


class Clock:
    """Adds up the time spent in some functions."""

    def __init__(self) -> None:
        self.wall: dict[str, float] = {}
        self.processor: dict[str, float] = {}

    def timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            wall, processor = time.perf_counter(), time.process_time()
            try:
                return function(*arguments, **named)
            finally:
                self.wall[name] = self.wall.get(name, 0.0) + time.perf_counter() - wall
                spent = time.process_time() - processor
                self.processor[name] = self.processor.get(name, 0.0) + spent

        return call


def main() -> None:
    means = make.Means(processes()["nominal"], load_lettering(), default_profile())
    clock = Clock()
    make._Work.make_part = clock.timed("solids and their files, checked", make._Work.make_part)
    make._Work.make_plates = clock.timed("plates", make._Work.make_plates)
    papers.write_documents = clock.timed("documents", papers.write_documents)
    papers._drawing = clock.timed("rod drawing", papers._drawing)
    papers._pictures = clock.timed("pictures and GLB", papers._pictures)
    for name, text in CASES.items():
        for round_number in range(ROUNDS):
            clock.wall.clear()
            clock.processor.clear()
            with tempfile.TemporaryDirectory() as folder:
                case = open_case(source(text), rod_templates())
                make.make_set(case, means, Path(folder), lambda _: None)
            print(f"{name}, round {round_number + 1}")
            for stage, seconds in clock.wall.items():
                print(f"  {stage:32} {seconds:6.2f} s, processor {clock.processor[stage]:6.2f} s")


if __name__ == "__main__":
    main()
