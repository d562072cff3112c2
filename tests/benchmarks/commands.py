"""Processor time of the quick commands: `python -m tests.benchmarks.commands`."""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

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


#: Looks at a record of the two demo cases.
LOOKS = (["cases"], ["show", "HLB-0107"], ["find"])


def processor_seconds(arguments: list[str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        os.environ["LABKIT_LEDGER"] = str(Path(place) / "lab.sqlite")
        demo = ["demo", "--out", f"{place}/demo", "--by", "anna"]
        processor_seconds(["-m", "labkit", *demo, "--ledger", os.environ["LABKIT_LEDGER"]])
        spec = json.loads(Path(place, "demo", "HLB-0107-r1", "spacer-set.json").read_text("utf-8"))
        piece = [spec["parts"][0]["uses"][0]["identifier"]]
        looks = {" ".join(["labkit", *look]): ["-m", "labkit", *look] for look in LOOKS}
        looks["labkit find"] += piece
        measure(COMMANDS | looks)


def measure(commands: dict[str, list[str]]) -> None:
    for name, arguments in commands.items():
        times = [processor_seconds(arguments) for _ in range(RUNS)]
        print(f"{name:36} {statistics.median(times):.3f} s (least {min(times):.3f})")


if __name__ == "__main__":
    main()
