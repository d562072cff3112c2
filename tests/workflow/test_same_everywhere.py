"""The same bytes on every machine: numbers are cut before their noise shows."""

from __future__ import annotations

import dataclasses
import random

import numpy as np
import pytest
from click.testing import CliRunner

from labkit.catalog.places import templates_dir
from labkit.cli.main import cli
from labkit.core.jaw.hinged import HingedJaw
from labkit.core.jaw.sliding import SlidingJaw
from labkit.core.jaw.straight import StraightJaw
from labkit.exports.check.checks import Checker
from labkit.workflow.sets import make
from tests.support.prescriptions import SMALLEST, changed, hinged, sliding
from tests.support.processors import processors, python

DEMOS = [
    str(templates_dir() / "prescriptions" / f"demo-{name}.toml") for name in ("plain", "hinged")
]
#: Thirds of the range: no percentage, reading or length of these is a round number.
STEPS = "percent = [60, 75, 90]\nstart = 75"
UNEVEN = changed(hinged(), (STEPS, "first = 30\nlast = 95\nsteps = 7"))
ONE_STEP = changed(hinged(), (STEPS, "percent = [75]\nstart = 75"))


@pytest.fixture
def two_processors():
    """Settings under which this machine computes differently."""
    found = processors()
    if len(found) < 2:
        pytest.skip("this machine's numeric libraries know one way of computing only")
    return found


def said(arguments, settings):
    done = python(["-m", *arguments], settings)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def files_of(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


def written_by_each(two_processors, tmp_path, module, *arguments):
    """Run the same command on each processor into a folder of its own."""
    found = []
    for number, settings in enumerate(two_processors):
        out = tmp_path / str(number)
        said([module, *arguments, "--out", str(out)], settings)
        found.append(files_of(out))
    return found


def test_lengths_are_the_same_on_every_processor(two_processors, tmp_path):
    given = [*DEMOS]
    for name, text in (("hinged", UNEVEN), ("sliding", sliding())):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
        given.append(str(tmp_path / f"{name}.toml"))
    for form in (["--json"], ["--json", "--opening", "4"], []):
        cases = given if "--opening" not in form else [DEMOS[1]]
        first, *others = (
            said(["labkit", "lengths", *cases, *form], settings) for settings in two_processors
        )
        assert first
        assert all(other == first for other in others)


def test_a_set_is_the_same_on_every_processor(two_processors, tmp_path):
    """The spec, the table, the checks and the parts of one hinged step, without papers."""
    rx = tmp_path / "rx.toml"
    rx.write_text(ONE_STEP, encoding="utf-8")
    first, *others = written_by_each(
        two_processors[:2], tmp_path, "tests.support.without_papers", "make", str(rx)
    )
    assert any(name.endswith("checks.json") for name in first)
    for other in others:
        assert list(other) == list(first)
        assert [name for name in first if other[name] != first[name]] == []


@pytest.mark.slow
def test_the_demo_is_the_same_on_every_processor(two_processors, tmp_path):
    first, *others = written_by_each(two_processors, tmp_path, "labkit", "demo")
    for other in others:
        assert list(other) == list(first)
        assert [name for name in first if other[name] != first[name]] == []


class Noise:
    """Moves numbers by a few units in their last place; those near 0 by as many of 1's."""

    def __init__(self, seed):
        self.random = random.Random(seed)

    def number(self, value):
        if not isinstance(value, float):
            return value
        return value + self.random.randint(-4, 4) * float(np.spacing(max(abs(value), 1.0)))

    def array(self, values):
        steps = [self.random.randint(-4, 4) for _ in range(values.size)]
        return values + np.reshape(steps, values.shape) * np.spacing(np.maximum(abs(values), 1.0))

    def result(self, found):
        arrays = {
            field.name: self.array(getattr(found, field.name))
            for field in dataclasses.fields(found)
            if isinstance(getattr(found, field.name), np.ndarray) and field.name != "poses"
        }
        return dataclasses.replace(found, **arrays)

    def add(self, monkeypatch):
        """Shake whatever a jaw model answers and whatever a check is told."""
        for owner, names in (
            (StraightJaw, ("design", "read_back")),
            (SlidingJaw, ("design", "read_back")),
            (HingedJaw, ("design", "read_back")),
        ):
            for name in names:
                monkeypatch.setattr(owner, name, self.after(getattr(owner, name)))
        for name in ("near", "at_least", "at_most"):
            monkeypatch.setattr(Checker, name, self.before(getattr(Checker, name)))

    def after(self, method):
        return lambda *given, **named: self.result(method(*given, **named))

    def before(self, method):
        def shaken(checker, name, measured, *given):
            return method(checker, name, self.number(measured), *map(self.number, given))

        return shaken


@pytest.mark.parametrize("seed", range(5))
def test_noise_in_the_last_places_of_the_jaw_is_not_written(seed, tmp_path, monkeypatch):
    for name, text in (("plain", SMALLEST), ("hinged", UNEVEN), ("sliding", sliding())):
        path = tmp_path / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        arguments = ["lengths", "--json", str(path)]
        quiet = CliRunner().invoke(cli, arguments)
        with monkeypatch.context() as patched:
            Noise(seed).add(patched)
            noisy = CliRunner().invoke(cli, arguments)
        assert quiet.exit_code == noisy.exit_code == 0, quiet.output
        assert noisy.stdout == quiet.stdout


def test_noise_in_the_last_places_of_checks_is_not_written(tmp_path, monkeypatch):
    monkeypatch.setattr(make, "write_papers", lambda *_: ())
    rx = tmp_path / "rx.toml"
    rx.write_text(ONE_STEP, encoding="utf-8")
    found = []
    for name in ("quiet", "noisy"):
        if name == "noisy":
            Noise(1).add(monkeypatch)
        made = CliRunner().invoke(cli, ["make", str(rx), "--out", str(tmp_path / name)])
        assert made.exit_code == 0, made.output
        found.append(files_of(tmp_path / name))
    assert found[0] == found[1]
