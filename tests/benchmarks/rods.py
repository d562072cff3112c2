"""Rods per processor-second: ours beside a straightforward CadQuery script, in one run.

    python -m tests.benchmarks.rods [--rounds N] [--chord MM] [--turn RAD]

Every round makes each rod in turn by each way, so that a busy machine slows all ways alike. Bodies
of templates are built, or read from the cache, in the round to warm up.
Processor time of all threads is counted. Nothing is asserted: the numbers are for reading.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.rod.rods import Compensation, Hand, Rod
from labkit.exports.check.part import check_part
from labkit.exports.write.mesh import CHORD_MM, TURN_RAD
from labkit.exports.write.put import put
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.step import StepHeader
from labkit.exports.write.stl import write_stl
from tests.benchmarks.fluent import export, fluent_rod

LETTERING = load_lettering()
LENGTHS = ("22.4", "28.5", "36.0", "47.1")
STAGES = ("label", "rod", "step", "mesh", "stl")


def rods() -> list[Rod]:
    """Give every template row at four lengths."""
    return [
        Rod(template, Decimal(length), Hand.MINUS_Y, "L" if template.label.side_mark else "", False)
        for template in rod_templates().values()
        for length in LENGTHS
    ]


class Stopwatch:
    """Adds up processor time under a few names."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def run(self, name: str, step: Callable[[], object]) -> object:
        start = time.process_time()
        result = step()
        self.seconds[name] = self.seconds.get(name, 0.0) + time.process_time() - start
        return result


def ours(rod: Rod, folder: Path, watch: Stopwatch) -> float:
    """Lay the label out, write STEP and STL; returns the built volume."""
    label = watch.run("label", lambda: lay_out(
        LETTERING, rod.engraving, rod.bar, rod.template.label.height_mm
    ))
    shape = watch.run("rod", lambda: rod_shape(rod, label))
    header = StepHeader(rod.part, "2031-03-14")
    watch.run("step", lambda: put(folder / "ours.step", shape.step(header)))
    mesh = watch.run("mesh", shape.mesh)
    watch.run("stl", lambda: write_stl(mesh, folder / "ours.stl", rod.part))
    return shape.volume_mm3


def theirs(rod: Rod, folder: Path, watch: Stopwatch, chord: float, turn: float) -> None:
    body = watch.run("fluent model", lambda: fluent_rod(rod))
    watch.run("fluent export", lambda: export(body, folder, chord, turn))


def checks(rod: Rod, folder: Path, watch: Stopwatch, volume: float) -> None:
    def check():
        return check_part(rod, Compensation(), folder / "ours.step", folder / "ours.stl",
                          LETTERING, (volume, volume))

    result = watch.run("checks", check)
    if not result.passed:
        print(f"  {rod.template.name} {rod.part}: {'; '.join(result.failures)}")


def one_round(watch: Stopwatch, folder: Path, args: argparse.Namespace) -> int:
    wanted = rods()
    for rod in wanted:
        volume = ours(rod, folder, watch)
        checks(rod, folder, watch, volume)
        theirs(rod, folder, watch, args.chord, args.turn)
    return len(wanted)


def report(watch: Stopwatch, count: int) -> None:
    each = {name: seconds / count for name, seconds in watch.seconds.items()}
    for name, seconds in each.items():
        print(f"{name:<14}{seconds * 1000:8.1f} ms a rod")
    files = sum(each[stage] for stage in STAGES)
    script = each["fluent model"] + each["fluent export"]
    print()
    for name, seconds in (("CadQuery script, STEP and STL", script), ("ours, STEP and STL", files),
                          ("ours, with all checks", files + each["checks"])):
        print(f"{name:<32}{1 / seconds:8.2f} rods per processor-second"
              f"{script / seconds:8.2f} times the script")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=2, help="rounds over all rods")
    parser.add_argument("--chord", type=float, default=CHORD_MM, help="chord error, script, mm")
    parser.add_argument("--turn", type=float, default=TURN_RAD, help="turn, script, rad")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one_round(Stopwatch(), folder, argparse.Namespace(chord=args.chord, turn=args.turn))
        watch, count = Stopwatch(), 0
        for _ in range(args.rounds):
            count += one_round(watch, folder, args)
    print(f"{count} rods, chord {args.chord} mm, turn {args.turn} rad, after one round to warm up")
    report(watch, count)


if __name__ == "__main__":
    main()
