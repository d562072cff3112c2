"""Time of measuring a scan beside reading it, in one run: `python -m tests.benchmarks.scans`."""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import trimesh

from labkit.catalog.lettering import load_lettering
from labkit.exports.scan.measure import measure_scan
from tests.support.rods import templates
from tests.support.scans import Spoil, scan_of

ROUNDS = 3
EDGES_MM = (0.2, 0.14, 0.1)


def main() -> None:
    """Print processor time and ratio for scans of growing size."""
    known, lettering = dict(templates()), load_lettering()
    with tempfile.TemporaryDirectory() as folder:
        for edge in EDGES_MM:
            scan = scan_of("eye-eye-flat", "40.25", Spoil(edge_mm=edge), 1)
            path = scan.write(Path(folder) / "scan.stl")
            reading = taken(lambda path=path: trimesh.load(path))
            for name, chosen in (
                ("template known", {"eye-eye-flat": known["eye-eye-flat"]}),
                ("every template tried", known),
            ):
                own = taken(lambda path=path, chosen=chosen: measure_scan(path, chosen, lettering))
                print(
                    f"{len(scan.corners):7d} facets, {name}: {own:.2f} s processor time, "
                    f"{own / reading:.0f} times a bare reading by trimesh"
                )


def taken(work: Callable[[], object]) -> float:
    """Median processor time of some rounds, s."""
    rounds = []
    for _ in range(ROUNDS):
        began = time.process_time()
        work()
        rounds.append(time.process_time() - began)
    return statistics.median(rounds)


if __name__ == "__main__":
    main()
