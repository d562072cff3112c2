"""Writes the examples of quality assurance: an invented set measured, mended and released."""

from __future__ import annotations

import csv
import datetime
import itertools
import os
import random
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from tests.support.own_instruments import write_instruments

CASE = "HLB-0107"
FORM = Path("sets", f"{CASE}-r1", "documents", "inspection-form.csv")
NEW_FORM = Path("sets", f"{CASE}-r2", "documents", "inspection-form.csv")
#: Days of the invented story; the clock moves on by a minute with every look at it.
FIRST_MOMENT = datetime.datetime(2031, 3, 20, 8, 0, tzinfo=datetime.UTC)
#: The rod that came out 0.3 mm too long.
SPOILT = ("3", "left")


def write_quality_examples(folder: Path) -> None:
    """Write inputs, printed outputs and documents into a missing folder."""
    folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as bench, story_at(Path(bench)):
        for title, lines in (
            ("from-readings-to-release.txt", _release_story()),
            ("process.txt", _process_story()),
        ):
            (folder / title).write_text("\n".join(lines), encoding="utf-8")
        for left in ("sets", "lab.sqlite"):
            remove(Path(left))
        for path in sorted(Path().iterdir()):
            shutil.move(path, folder / path.name)


@contextmanager
def story_at(place: Path) -> Iterator[None]:
    """Work in a folder, with a clock of the story's own that moves on by a minute a look."""
    moments = (FIRST_MOMENT + datetime.timedelta(minutes=look) for look in itertools.count())
    home = Path.cwd()
    os.chdir(place)
    try:
        with (
            mock.patch.dict(os.environ),
            mock.patch.object(clock, "now", side_effect=moments),
            mock.patch.object(clock, "today", return_value=FIRST_MOMENT.date()),
        ):
            for name in [each for each in os.environ if each.startswith("LABKIT_")]:
                del os.environ[name]
            yield
    finally:
        os.chdir(home)


def told(line: str, expected: int = 0) -> list[str]:
    """Run a command line; give it with what it printed."""
    result = CliRunner().invoke(cli, line.split()[1:], env={"COLUMNS": "100"})
    if result.exit_code != expected:
        sys.exit(f"{line} ended with {result.exit_code}:\n{result.output}")
    shown = [f"$ {line}", *result.output.rstrip().splitlines(), ""]
    return [text.rstrip() for text in shown]


def _release_story() -> list[str]:
    record, own = "--ledger lab.sqlite", "--instruments instruments"
    write_instruments(Path("instruments"))
    told(f"labkit demo --out sets --by anna {record}")
    identifier = fill_in(FORM, Path("readings.csv"), random.Random(7))
    lines = told(f"labkit limits {CASE} --instrument micrometer-7 {own} {record}")
    lines += told(f"labkit inspect {CASE} readings.csv --as-typed {own} --by quinn {record}")
    lines += told(f"labkit release {CASE} --by kim {record}", expected=1)
    reason = "too-long"
    lines += told(
        f"labkit replace {identifier} --reason {reason} --out sets --by anna {record}"
    )
    fill_in(NEW_FORM, Path("readings-of-the-new-rod.csv"), random.Random(8))
    lines += told(f"labkit inspect {CASE} readings-of-the-new-rod.csv {own} --by quinn {record}")
    lines += told(f"labkit release {CASE} --by kim --out . {record}")
    return lines


def fill_in(form: Path, filled: Path, chance: random.Random) -> str:
    """Fill in an inspection form as a bench would; give the identifier of the spoilt rod."""
    with form.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    spoilt = ""
    for row in rows:
        off = chance.gauss(0.01, 0.015)
        if len(rows) > 1 and (row["step"], row["side"]) == SPOILT:
            off, spoilt = 0.312, row["identifier"]
        for number in (1, 2, 3):
            reading = float(row["nominal_mm"]) + off + chance.gauss(0, 0.003)
            row[f"reading_{number}_mm"] = f"{reading:.3f}"
        row |= {
            "label_read": row["label"], "fittings": "yes", "look": "ok",
            "instrument": "micrometer-7", "gauge_pins": "pins-2", "temperature_c": "21.0",
            "material_lot": "B-17",
            "measured_on": "2031-03-20", "measured_by": "quinn",
            "checked_on": "2031-03-20", "checked_by": "kim",
        }
    write_csv(filled, list(rows[0]), [list(row.values()) for row in rows])
    return spoilt


def write_csv(path: Path, head: list[str], rows: list[list[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows([head, *rows])


def _process_story() -> list[str]:
    chance = random.Random(20310320)
    write_csv(
        Path("deviations.csv"), ["value", "lot"],
        [[f"{chance.gauss(0.006, 0.021):.3f}", f"B-{17 + k // 20}"] for k in range(60)],
    )
    write_csv(Path("gauge-study.csv"), ["part", "operator", "trial", "value"], _study(chance))
    write_csv(Path("coupons.csv"), ["coupon", "nominal", "measured", "bore_nominal", "bore"],
              _coupons(chance))
    return [
        *told("labkit capability --file deviations.csv --subgroup lot --lower -0.1 --upper 0.1"
              " --report capability"),
        *told("labkit chart --file deviations.csv --report chart"),
        *told("labkit gauge-study gauge-study.csv --tolerance 0.1 --report gauge-study"),
        *told("labkit calibrate coupons.csv --process example-resin --name resin-march"
              " --date 2031-03-21 --by anna --out resin-march.toml --report calibration"),
    ]


def _study(chance: random.Random) -> list[list[str]]:
    """Ten rods of one length class, three people, three readings each."""
    rods = [30.0 + chance.gauss(0, 0.03) for _ in range(10)]
    people = {"anna": 0.000, "kim": 0.002, "quinn": -0.001}
    return [
        [str(part), who, str(trial), f"{rod + off + chance.gauss(0, 0.003):.3f}"]
        for part, rod in enumerate(rods, 1)
        for who, off in people.items()
        for trial in (1, 2, 3)
    ]


def _coupons(chance: random.Random) -> list[list[str]]:
    """Four coupons at each of five lengths, from a machine that shrinks a little."""
    lengths = [length for length in (20, 27, 34, 41, 48) for _ in range(4)]
    return [
        [
            f"C{number:02d}", f"{length:.1f}",
            f"{length * 0.9991 + 0.024 + chance.gauss(0, 0.008):.3f}",
            "2.52", f"{2.52 - 0.012 + chance.gauss(0, 0.005):.3f}",
        ]
        for number, length in enumerate(lengths, 1)
    ]


def remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink()
