"""Processor time of the quick commands: `python -m tests.benchmarks.commands`."""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys

from labkit.catalog.places import templates_dir

RUNS = 7
DEMOS = [str(templates_dir() / "prescriptions" / f"demo-{n}.toml") for n in ("plain", "hinged")]
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "python -c 'import numpy'": ["-c", "import numpy"],
    "labkit --help": ["-m", "labkit", "--help"],
    "labkit lengths (both demo cases)": ["-m", "labkit", "lengths", *DEMOS],
    "labkit lengths --json (both)": ["-m", "labkit", "lengths", "--json", *DEMOS],
}


def processor_seconds(arguments: list[str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


def main() -> None:
    for name, arguments in COMMANDS.items():
        times = [processor_seconds(arguments) for _ in range(RUNS)]
        print(f"{name:36} {statistics.median(times):.3f} s (least {min(times):.3f})")


if __name__ == "__main__":
    main()
