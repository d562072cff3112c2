"""Many sets of six steps: pace, memory, both cores, and kills.

Usage: python -m tests.benchmarks.many pace|kills|queue [--cases N] [--kills N]

- `pace`: one batch on one process and on two, beside each other: sets a minute, processor seconds
  a set in each third, the most memory of a process, bytes of a set; every file of both is the same.
- `kills`: a batch that is killed and run again until it ends; nothing is lost or made twice.
- `queue`: two workers in processes of their own on a PostgreSQL server of the benchmark's; workers
  and server are killed; every set is whole, once.
"""

from __future__ import annotations

import argparse
import itertools
import os
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from labkit.exports.write.set_folder import SUMS_FILE
from tests.support import postgres
from tests.support.many import MOST_SECONDS, killed_batches, killed_workers, prescribe, start

_TICKS = os.sysconf("SC_CLK_TCK")
_MEGABYTE = 1024 * 1024
_LOOK_SECONDS = 0.25


def family(process):
    """Give a process and its children, by number."""
    children = {}
    for place in Path("/proc").iterdir():
        if place.name.isdigit():
            try:
                told = (place / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            children.setdefault(int(told[1]), []).append((int(place.name), told))
    found, waiting = {}, [process]
    for each in waiting:
        for number, told in children.get(each, ()):
            found[number] = told
            waiting.append(number)
    return found


def seconds_of(told):
    return sum(map(int, told[11:15])) / _TICKS


@dataclass
class Seen:
    """What was seen of one batch: (sets, wall seconds, processor seconds) at each look."""

    wall: float = 0.0
    looks: list[tuple[int, float, float]] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)


def watched(folder, workers):
    """Run a batch and look at it."""
    out, seen = folder / f"sets-{workers}", Seen()
    begun = time.monotonic()
    running = start("batch", folder / "rx", "--out", out, "--workers", workers)
    while running.poll() is None:
        assert time.monotonic() - begun < MOST_SECONDS
        own = Path(f"/proc/{running.pid}/stat").read_text().rpartition(")")[2].split()
        tree = family(running.pid)
        done = len(list(out.glob("QF-*"))) if out.is_dir() else 0
        spent = sum(map(seconds_of, [own, *tree.values()]))
        seen.looks.append((done, time.monotonic() - begun, spent))
        pages = [int(told[21]) for told in tree.values()]
        seen.memory_mb.append(max(pages, default=0) * os.sysconf("SC_PAGE_SIZE") / _MEGABYTE)
        time.sleep(_LOOK_SECONDS)
    assert running.returncode == 0
    seen.wall = time.monotonic() - begun
    return out, seen


def pace(folder, cases):
    """Compare one process with two."""
    prescribe(folder / "rx", cases)
    sums, walls = {}, {}
    for workers in (1, 2):
        out, seen = watched(folder, workers)
        sums[workers] = {path.name: (path / SUMS_FILE).read_bytes() for path in out.glob("QF-*")}
        assert len(sums[workers]) == cases
        walls[workers] = seen.wall
        print(f"{workers} process(es): {cases} sets in {seen.wall:.0f} s, "
              f"{60 * cases / seen.wall:.1f} a minute", flush=True)
        print(f"  processor seconds a set, by thirds: {', '.join(thirds(seen, cases))}")
        most = [max(some) for some in in_thirds(seen.memory_mb)]
        print(f"  most memory of a process, by thirds: {', '.join(f'{mb:.0f} MB' for mb in most)}")
    assert sums[1] == sums[2]
    print(f"two processes: {walls[1] / walls[2]:.2f} times one; the same bytes")
    files = [path for path in out.rglob("*") if path.is_file()]
    print(f"a set: {sum(path.stat().st_size for path in files) / cases / 1e6:.2f} MB in "
          f"{len(files) / cases:.0f} files")


def thirds(seen, cases):
    """Give processor seconds a set, for each third of the sets."""
    at = [next(look for look in seen.looks if look[0] >= cases * part / 3) for part in (0, 1, 2)]
    ends = [*at, seen.looks[-1]]
    return [
        f"{(later[2] - before[2]) / max(later[0] - before[0], 1):.2f}"
        for before, later in itertools.pairwise(ends)
    ]


def in_thirds(values):
    third = max(len(values) // 3, 1)
    return values[:third], values[third : 2 * third], values[2 * third :] or values[-1:]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("pace", "kills", "queue"))
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--kills", type=int, default=20)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder, begun = Path(place), time.monotonic()
        if given.what == "pace":
            pace(folder, given.cases)
            return
        prescribe(folder / "rx", given.cases)
        if given.what == "kills":
            killed_batches(folder, given.cases, given.kills)
        else:
            with postgres.server() as server:
                killed_workers(server, folder, given.cases, given.kills)
        print(f"{given.cases} cases, {given.kills} kills, {time.monotonic() - begun:.0f} s: every "
              "set whole, once")


if __name__ == "__main__":
    main()
