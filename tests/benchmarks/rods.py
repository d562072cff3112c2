"""Rods per processor-second and whole sets: ours beside plain scripts, in one run.

    python -m tests.benchmarks.rods [--rounds N] [--chord MM] [--turn RAD] [--build123d PYTHON]

Every round makes each rod in turn by each way, so that a busy machine slows all ways alike: a
CadQuery script, bare meshes of manifold3d, ours, ours with all checks; a build123d script beside
them in a process of its own. Bodies of templates are built, or read from the cache, in the round to
warm up. Then whole processes: the script's bare files of a set of 12 rods, and `labkit make` of it
with all checks and papers, with an empty and with a filled cache; and the peak memory of sets of 6
and 60 steps. Processor time of all threads is counted. Nothing is asserted: the numbers are for
reading.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.rod.rods import Compensation, Eye, FlatBar, Hand, Rod
from labkit.exports.check.part import check_part
from labkit.exports.write.mesh import CHORD_MM, TURN_RAD
from labkit.exports.write.put import put
from labkit.exports.write.rod import rod_shape
from labkit.exports.write.step import StepHeader
from labkit.exports.write.stl import write_stl
from tests.benchmarks.fluent import export, fluent_rod
from tests.benchmarks.mesh_floor import mesh_floor
from tests.benchmarks.whole_sets import report_whole_sets

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


def ours(rod: Rod, folder: Path, watch: Stopwatch) -> None:
    """Lay the label out, write STEP and STL."""
    label = watch.run("label", lambda: lay_out(
        LETTERING, rod.engraving, rod.bar, rod.template.label.height_mm
    ))
    shape = watch.run("rod", lambda: rod_shape(rod, label))
    header = StepHeader(rod.part, "2031-03-14")
    watch.run("step", lambda: put(folder / "ours.step", shape.step(header)))
    mesh = watch.run("mesh", shape.mesh)
    watch.run("stl", lambda: write_stl(mesh, folder / "ours.stl", rod.part))


def theirs(rod: Rod, folder: Path, watch: Stopwatch, chord: float, turn: float) -> None:
    body = watch.run("fluent model", lambda: fluent_rod(rod))
    watch.run("fluent export", lambda: export(body, folder, chord, turn))


def checks(rod: Rod, folder: Path, watch: Stopwatch) -> None:
    def check():
        return check_part(rod, Compensation(), folder / "ours.step", folder / "ours.stl",
                          LETTERING)

    result = watch.run("checks", check)
    if not result.passed:
        print(f"  {rod.template.name} {rod.part}: {'; '.join(result.failures)}")


def one_round(watch: Stopwatch, folder: Path, args: argparse.Namespace) -> int:
    wanted = rods()
    for rod in wanted:
        ours(rod, folder, watch)
        checks(rod, folder, watch)
        theirs(rod, folder, watch, args.chord, args.turn)
        watch.run("manifold3d", lambda rod=rod: mesh_floor(
            rod, LETTERING, folder / "floor.stl", args.chord
        ))
    return len(wanted)


def plain(rod: Rod) -> dict:
    """Give a rod's sizes as plain data, for a script that knows nothing of this project."""
    body, label, length = rod.template.body, rod.template.label, float(rod.length)
    sizes = {
        "length": length, "inward_y": rod.hand.inward_y, "text": rod.engraving,
        "text_height": label.height_mm, "text_depth": label.depth_mm,
    }
    if not isinstance(body, FlatBar):
        ball = rod.template.lower
        return sizes | {
            "kind": "round", "diameter": body.diameter_mm, "ball": ball.ball_diameter_mm,
            "level": body.diameter_mm / 2 - body.flat_depth_mm, "neck": ball.neck_diameter_mm,
            "neck_length": ball.neck_length_mm,
        }
    ends = [
        {"x": x, "boss": end.boss_diameter_mm,
         "bore": end.bore_diameter_mm if isinstance(end, Eye) else None,
         "pin": None if isinstance(end, Eye) else (end.pin_diameter_mm, end.pin_length_mm),
         "lip": None if isinstance(end, Eye) else (end.lip_diameter_mm, end.lip_thickness_mm)}
        for x, end in ((-length / 2, rod.template.lower), (length / 2, rod.template.upper))
    ]
    return sizes | {
        "kind": "flat", "level": body.thickness_mm / 2, "height": body.height_mm,
        "edge": body.edge_radius_mm, "ends": ends,
    }


def build123d(python: str, folder: Path, args: argparse.Namespace) -> float | None:
    """Give the seconds that a build123d script takes for a rod; None where it is not installed."""
    asked = [python, "-c", "import build123d"]
    if subprocess.run(asked, capture_output=True, check=False, timeout=300).returncode:
        return None
    (folder / "rods.json").write_text(json.dumps([plain(rod) for rod in rods()]), "utf-8")
    script = Path(__file__).with_name("build123d_rods.py")
    words = [python, str(script), str(folder / "rods.json"), str(folder), str(args.chord),
             str(args.turn)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=1800)
    told = json.loads(done.stdout.splitlines()[-1])
    return told["seconds"] / told["rods"]


def report(watch: Stopwatch, count: int, beside: float | None) -> None:
    each = {name: seconds / count for name, seconds in watch.seconds.items()}
    for name, seconds in each.items():
        print(f"{name:<14}{seconds * 1000:8.1f} ms a rod")
    files = sum(each[stage] for stage in STAGES)
    script = each["fluent model"] + each["fluent export"]
    print()
    for name, seconds in (
        ("CadQuery script, STEP and STL", script), ("build123d script, STEP and STL", beside),
        ("ours, STEP and STL", files), ("ours, with all checks", files + each["checks"]),
        ("manifold3d, STL alone, no fillets", each["manifold3d"]),
    ):
        told = "not installed" if seconds is None else (
            f"{1 / seconds:8.2f} rods per processor-second{script / seconds:8.2f} times the script"
        )
        print(f"{name:<34}{told}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=2, help="rounds over all rods")
    parser.add_argument("--chord", type=float, default=CHORD_MM, help="chord error, scripts, mm")
    parser.add_argument("--turn", type=float, default=TURN_RAD, help="turn, scripts, rad")
    parser.add_argument("--build123d", default=sys.executable, help="a Python that has build123d")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one_round(Stopwatch(), folder, argparse.Namespace(chord=args.chord, turn=args.turn))
        watch, count = Stopwatch(), 0
        for _ in range(args.rounds):
            count += one_round(watch, folder, args)
        beside = build123d(args.build123d, folder, args)
    print(f"{count} rods, chord {args.chord} mm, turn {args.turn} rad, after one round to warm up")
    report(watch, count, beside)
    print()
    report_whole_sets(args.chord, args.turn)


if __name__ == "__main__":
    main()
