"""Commands that write, killed at one step after another: the same command again ends the work.

A step is a file opened for writing, renamed, linked or removed, a folder made or removed, or a
transaction about to be kept. The child process ends there for good, as a kill ends it.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import event
from sqlalchemy.engine import Engine

from labkit.cli.main import main
from labkit.ledger.store import look_into
from labkit.ledger.verify import verify
from tests.support.making import CASE, ONE
from tests.support.measured import measure_all
from tests.support.own_process import in_a_process
from tests.support.prescriptions import changed

FIRST = f"{CASE}-r1"
KILLED = 9
#: Told where the killed command had done its work, only not said so.
DONE = "already|stands in its place|up to date"
_CHANGES = {"os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir"}
_NEW = changed(ONE, ("[50]", "[50, 75, 100]"))


@dataclass
class Lab:
    """A folder with a ledger, a set and all that commands need."""

    folder: Path
    rods: tuple[str, ...]

    def words(self, command):
        """Fill in what a command is about."""
        known = {"lab": self.folder, "rod": self.rods[0], "case": CASE, "set": FIRST}
        return [word.format(**known) for word in command]

    def run(self, command, kill_at=None):
        """Run a command in a process of its own; give its exit status, steps and last words."""
        told = self.folder.parent / "told.txt"
        status = in_a_process(_be, self, self.words(command), told, kill_at)
        steps = told.with_suffix(".steps").read_text()
        return status, int(steps), told.read_text()


def _be(lab, words, told, kill_at):
    """Be the command, in the child process."""
    steps = 0
    counted = os.open(told.with_suffix(".steps"), os.O_CREAT | os.O_RDWR | os.O_TRUNC)
    os.pwrite(counted, b"0", 0)
    with told.open("w") as stream, open(os.devnull) as nothing:
        os.dup2(nothing.fileno(), 0)
        for number in (1, 2):
            os.dup2(stream.fileno(), number)
    sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
    tempfile.tempdir = str(lab.folder / "tmp")
    os.environ |= {"LABKIT_LEDGER": str(lab.folder / "ledger.sqlite"), "LABKIT_BY": "anna"}
    os.environ["COLUMNS"] = "400"

    def step(*_):
        nonlocal steps
        if steps == kill_at:
            os._exit(KILLED)
        steps += 1
        os.pwrite(counted, str(steps).encode(), 0)

    def watch(name, arguments):
        written = name == "open" and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if name in _CHANGES or (written and str(arguments[0]).startswith(str(lab.folder))):
            step()

    event.listen(Engine, "commit", step)
    # What is compiled for the first time would be a step of that run alone.
    sys.dont_write_bytecode = True
    sys.addaudithook(watch)
    sys.argv[1:] = words
    main()


#: Every command that writes in the lab: in words, after which others where it needs them.
COMMANDS = {
    "make": (("make", "{lab}/rx.toml", "--take-back", "--out", "{lab}/sets"), ()),
    "extra": (("extra", "{case}", "--percent", "60", "--out", "{lab}/sets"), ()),
    "replace": (("replace", "{rod}", "--reason", "too long", "--out", "{lab}/sets"), ()),
    "replace, lost": (("replace", "{rod}", "--because", "lost", "--reason", "on a journey",
                       "--out", "{lab}/sets"),
                      (("rod", "{rod}", "delivered", "--unreleased", "for a try"),)),
    "rod": (("rod", "{set}", "delivered", "--unreleased", "for a try"), ()),
    "release": (("release", "{case}", "--by", "kim", "--out", "{lab}/papers"), ()),
    "withhold": (("release", "{case}", "--by", "kim", "--withhold", "a crack"), ()),
    "certificate": (("certificate", "{case}", "--out", "{lab}/papers"),
                    (("release", "{case}", "--by", "kim", "--out", "{lab}/sets"),)),
    "sheet": (("sheet", "{case}", "--out", "{lab}/papers/sheet.pdf"), ()),
    "trial": (("trial", "{case}", "--left", "33.0 too long by 0.8", "--right",
               "33.0 too long by 0.8", "--accept"), ()),
    "backup": (("ledger", "backup", "{lab}/papers/backup.sqlite"), ()),
    "export": (("ledger", "export", "{lab}/papers/export.jsonl"), ()),
    "restore": (("ledger", "restore", "{lab}/papers/b.sqlite", "--ledger", "{lab}/new.sqlite"),
                (("ledger", "backup", "{lab}/papers/b.sqlite"),)),
    "import": (("ledger", "import", "{lab}/papers/e.jsonl", "--ledger", "{lab}/new.sqlite"),
               (("ledger", "export", "{lab}/papers/e.jsonl"),)),
    "coupons": (("coupons", "eye-eye-flat", "--process", "example-resin", "--date", "2031-05-02",
                 "--each", "2", "--out", "{lab}/papers/coupons"), ()),
    "reconcile": (("ledger", "reconcile", "--sets", "{lab}/sets"), ()),
}


#: The quick run, each with the parts of its steps at which it is killed.
OFTEN = {
    "make": (0.6,), "replace": (0.6,), "release": (0.6, 1), "trial": (0.6, 1), "restore": (0.6, 1),
}


@pytest.fixture
def lab(recorded, tmp_path):
    """A measured set, released by nobody."""
    folder = tmp_path / "lab"
    measure_all(recorded, CASE)
    rods = tuple(rod.identifier for rod in recorded.ledger.rods(CASE))
    for name in ("papers", "tmp", "sets"):
        (folder / name).mkdir(parents=True)
    (folder / "rx.toml").write_text(_NEW)
    shutil.copyfile(recorded.ledger.database.file, folder / "ledger.sqlite")
    log = Path(f"{recorded.ledger.database.file}-wal")
    if log.exists():
        shutil.copyfile(log, folder / "ledger.sqlite-wal")
    return Lab(folder, rods)


def copied(lab, number):
    """Give the lab anew, under its own name: the record has it in sentences."""
    kept = lab.folder.with_name("kept")
    if number == 0:
        shutil.copytree(lab.folder, kept)
        return
    shutil.rmtree(lab.folder)
    shutil.copytree(kept, lab.folder)


def litter(lab):
    """List what nobody asked for: hidden files, files in between."""
    found = [*lab.folder.rglob(".*"), *(lab.folder / "tmp").iterdir()]
    return sorted(str(path.relative_to(lab.folder)) for path in found)


def check(lab):
    for path in lab.folder.glob("*.sqlite"):
        with look_into(str(path)) as reader:
            assert verify(reader).problems == ()
            assert "started" not in {str(one.state) for one in reader.sets(CASE)}
    assert litter(lab) == []


def kill_and_repeat(lab, name, where):
    """Kill a command at some of its steps, each time in a lab as it was; repeat it each time."""
    command, before = COMMANDS[name]
    for one in before:
        status, _, words = lab.run(one)
        assert status == 0, words
    copied(lab, 0)
    status, steps, words = lab.run(command)
    assert status == 0, words
    check(lab)
    for number, at in enumerate(where(steps), 1):
        copied(lab, number)
        status, _, words = lab.run(command, kill_at=at)
        assert status == KILLED, (at, words)
        status, _, words = lab.run(command)
        assert status == 0 or re.search(DONE, words), (name, at, status, words)
        check(lab)
    return steps


@pytest.mark.parametrize("name", OFTEN)
def test_a_command_that_was_killed_is_given_again(lab, name):
    def some(steps):
        return [int(part * (steps - 1)) for part in OFTEN[name]]

    assert kill_and_repeat(lab, name, some) > 0


@pytest.mark.slow
@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_that_was_killed_at_any_step_is_given_again(lab, name):
    """Run with: pytest -n 0 -m slow tests/workflow/test_kills.py"""
    print(name, kill_and_repeat(lab, name, range), "steps")
